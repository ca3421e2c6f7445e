"""Paths of options, refused where their ending promises another kind of file."""

from __future__ import annotations

from pathlib import Path

import click


def svg_path(_context: click.Context, _option: click.Parameter, value: Path | None) -> Path | None:
    """Of a drawing: SVG and nothing else."""
    if value is not None and value.suffix.lower() != ".svg":
        raise click.BadParameter(f"{str(value)!r} does not end in .svg; drawings are SVG")
    return value


def page_path(_context: click.Context, _option: click.Parameter, value: Path | None) -> Path | None:
    """Of a page, told before anything is drawn."""
    if value is not None and value.suffix.lower() not in (".html", ".htm"):
        raise click.BadParameter(f"{str(value)!r} does not end in .html; name it shoot.html")
    return value
