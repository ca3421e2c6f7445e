"""Frames against the plan: pairing, faults, verdicts, and the pictures that show them."""
