"""Makes a large job out of a small one, to measure with: the same strokes again and again.

    python tests/bench/big_job.py OUT [--layers 1000] [--layer-kb 165] [--absolute-e] [--job FILE]

The pattern is the built-in lighthouse (or a job of yours with relative E and layer comments).
Each layer's lines are repeated until the layer has its size, as a bed full of parts prints them,
and the layers go on upwards over and over. `--absolute-e` counts E up within each layer, as
many jobs do.
"""

from __future__ import annotations

import argparse
import re
from collections.abc import Iterator
from pathlib import Path

MARK = re.compile(rb"(?m)^(?=;LAYER(?:_CHANGE|:))")
Z_WORD = re.compile(rb"(?m)^(G[01] [^;\n]*?)Z([0-9.]+)")
E_WORD = re.compile(rb"(?m)^(G1 [^;\n]*?E)(-?[0-9]*\.?[0-9]+)")


def big_job(
    model: bytes, *, layers: int, layer_bytes: int, absolute_e: bool = False
) -> Iterator[bytes]:
    """The pieces of a job of so many layers, each of about so many bytes (0: as they are)."""
    if not re.search(rb"(?m)^M83", model):
        raise SystemExit("the pattern must be a job of relative E")
    head, *bodies = MARK.split(model)
    end = bodies.pop()
    heights = [min(float(m[2]) for m in Z_WORD.finditer(body)) for body in bodies]
    bodies, rise = [_repeated(body, layer_bytes) for body in bodies[1:]], heights[-1] - heights[0]
    if absolute_e:
        head = re.sub(rb"(?m)^M83", b"M82", head)
        bodies, end = [_counted_up(body) for body in bodies], _counted_up(end)
    yield head
    for number in range(layers):
        turn, which = divmod(number, len(bodies))
        yield _raised(bodies[which], turn * rise)
    yield _raised(end, turn * rise + heights[which + 1] - heights[-1])


def _repeated(body: bytes, layer_bytes: int) -> bytes:
    mark, lines = body.split(b"\n", 1)
    return mark + b"\n" + lines * max(1, round(layer_bytes / len(lines)))


def _counted_up(body: bytes) -> bytes:
    """E from 0 at the layer's mark on, each word the sum so far."""
    mark, lines = body.split(b"\n", 1)
    fed = 0.0

    def summed(match: re.Match[bytes]) -> bytes:
        nonlocal fed
        fed += float(match[2])
        return match[1] + b"%.5f" % fed

    return mark + b"\nG92 E0\n" + E_WORD.sub(summed, lines)


def _raised(body: bytes, by_mm: float) -> bytes:
    if not by_mm:
        return body
    return Z_WORD.sub(lambda match: match[1] + b"Z%.3f" % (float(match[2]) + by_mm), body)


def write_big_job(
    out: Path,
    *,
    layers: int,
    layer_bytes: int,
    absolute_e: bool = False,
    model: bytes | None = None,
) -> None:
    """Write such a job; the pattern is the built-in lighthouse where none is given."""
    if model is None:
        from capturehook.demo.lighthouse import lighthouse_job

        model = lighthouse_job()
    with out.open("wb") as file:
        file.writelines(
            big_job(model, layers=layers, layer_bytes=layer_bytes, absolute_e=absolute_e)
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--layers", type=int, default=1000)
    parser.add_argument("--layer-kb", type=float, default=165.0)
    parser.add_argument("--absolute-e", action="store_true")
    parser.add_argument("--job", type=Path)
    wishes = parser.parse_args()
    write_big_job(
        wishes.out,
        layers=wishes.layers,
        layer_bytes=round(wishes.layer_kb * 1000),
        absolute_e=wishes.absolute_e,
        model=wishes.job.read_bytes() if wishes.job else None,
    )
    print(f"{wishes.out}: {wishes.out.stat().st_size / 1e6:.1f} MB, {wishes.layers} layers")


if __name__ == "__main__":
    main()
