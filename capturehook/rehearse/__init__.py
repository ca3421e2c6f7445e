"""Before the print: draw what the camera will see at each pose, and what the head hides."""
