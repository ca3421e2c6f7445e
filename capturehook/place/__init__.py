"""Stage 3: layers -> which get a frame, before which line, and the path to the park point."""
