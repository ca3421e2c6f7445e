"""The built-in samples: a small lighthouse for a filament printer and for a resin printer."""
