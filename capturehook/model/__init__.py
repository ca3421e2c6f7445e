"""The records that the stages hand on; none of them does a stage's work."""
