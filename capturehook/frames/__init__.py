"""After the print: picture files -> an ordered list of frames and a row of measures for each."""
