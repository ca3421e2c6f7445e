"""Audited frames -> a film: choose, align, render, encode."""
