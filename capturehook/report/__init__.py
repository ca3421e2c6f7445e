"""Stage 5: what the poses cost and what the shoot will be, from records alone."""
