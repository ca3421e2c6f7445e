"""Stage 2: moves -> seconds, by the machine's limits and the firmware's corner rule."""
