"""Stage 1: bytes -> lines -> moves -> layers. The one reader, for every command."""
