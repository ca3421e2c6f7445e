"""The shoot page: one HTML file before the print (`before`), one after it (`after`)."""
