"""How kinds of file mark their layers: one small record each."""
