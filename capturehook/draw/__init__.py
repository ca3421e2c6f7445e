"""Pictures: one canvas for all of them."""
