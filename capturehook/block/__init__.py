"""Stage 4: stop and path -> lines with roles -> bytes; fences, strip and the witness."""
