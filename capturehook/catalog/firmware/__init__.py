"""One file for each family of firmware."""
