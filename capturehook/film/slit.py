"""One column of the picture through all frames: jitter and flicker at a glance.

What stands still makes level lines, what trembles ragged ones, a lamp that flickers stripes;
the part grows from left to right.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from capturehook.film.choose import Correction
from capturehook.film.framing import Framing
from capturehook.film.part import part_box
from capturehook.film.recipe import Recipe
from capturehook.film.render import Rgb, draw_words, render_frame
from capturehook.frames.reference import in_order

WIDE_PX = 16
GAP_PX = 6
LEAST_WIDE_PX = 900


def slit_picture(recipe: Recipe) -> Rgb:
    """(H, W, 3) uint8: as shot above, as in the film below, one column a shot.

    Raises
    ------
    FrameError
        A picture cannot be read.
    """
    shots = sorted({one.frame_index for one in recipe.chosen if one.kind == "shot"})
    framing = _slit(recipe)

    def columns(index: int) -> tuple[Rgb, ...]:
        corrected = recipe.corrections[index]
        return tuple(_column(recipe, index, framing, one) for one in (Correction(), corrected))

    pairs = list(in_order(columns, shots))
    each = max(1, -(-LEAST_WIDE_PX // len(pairs)))
    halves = [
        np.repeat(np.stack([pair[k] for pair in pairs], axis=1), each, axis=1) for k in range(2)
    ]
    for k, words in enumerate(("as shot", "in the film")):
        size = max(11, halves[k].shape[0] // 24)
        room = halves[k].shape[1] - 2 * size
        halves[k] = draw_words(halves[k], words, (size, size), size, room, "lt")
    gap = np.full((GAP_PX, halves[0].shape[1], 3), 255, np.uint8)
    return np.concatenate([halves[0], gap, halves[1]])


def _slit(recipe: Recipe) -> Framing:
    """A narrow box through the middle of the part, or of the film where none is seen."""
    whole = recipe.framing
    shots = [one.frame_index for one in recipe.chosen if one.kind == "shot"]
    part = part_box(recipe.audit.measures, shots)
    middle = (part[0] + part[2]) / 2 if part else whole.left + whole.width / 2
    wide = WIDE_PX * whole.height / whole.height_px
    left = float(np.clip(middle - wide / 2, whole.left, whole.left + whole.width - wide))
    return replace(whole, left=left, width=wide, width_px=WIDE_PX)


def _column(recipe: Recipe, index: int, framing: Framing, correction: Correction) -> Rgb:
    frames = recipe.audit.frames
    narrow = render_frame(
        frames.frames[index],
        frames.size_px,
        framing,
        correction,
        recipe.audit.measures.pivot_px,
    )
    middle = narrow[:, WIDE_PX // 2 - 1 : WIDE_PX // 2 + 1].astype(np.float32)
    return np.asarray(np.rint(middle.mean(axis=1)).astype(np.uint8))
