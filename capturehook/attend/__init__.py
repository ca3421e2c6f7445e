"""A shoot watched while it runs: each new picture judged as it lands, and a person called."""
