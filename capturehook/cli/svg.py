"""Options that name a drawing to write: SVG and nothing else."""

from __future__ import annotations

from pathlib import Path

import click


def svg_path(_context: click.Context, _option: click.Parameter, value: Path | None) -> Path | None:
    """The path of an option, refused where its ending promises another kind of picture."""
    if value is not None and value.suffix.lower() != ".svg":
        raise click.BadParameter(f"{str(value)!r} does not end in .svg; drawings are SVG")
    return value
