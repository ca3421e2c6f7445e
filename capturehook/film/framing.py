"""Which part of the pictures the film shows and how large: crop, margins, even sizes."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from capturehook.errors import Finding, FrameError
from capturehook.film.choose import Correction

CROPS = {"keep": None, "16:9": Fraction(16, 9), "1:1": Fraction(1), "9:16": Fraction(9, 16)}
SHORT_SIDE_PX = 1080  # of the film, unless a width is asked for
MUCH_SHARE = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Framing:
    """A box of the original picture (px, not whole) and the film's size (px, even)."""

    left: float
    top: float
    width: float
    height: float
    width_px: int
    height_px: int


def frame_film(
    size_px: tuple[int, int],
    corrections: Iterable[Correction],
    crop: str = "keep",
    width_px: int | None = None,
    centre_px: tuple[float, float] | None = None,
) -> tuple[Framing, list[Finding]]:
    """The largest box of the crop's shape that every aligned frame fills.

    Parameters
    ----------
    size_px : (width, height) of the originals
    crop : a key of CROPS
    width_px : of the film; at most that of the box, rounded down to even
    centre_px : (x, y) in the original to have in the middle, as far as there is picture

    Raises
    ------
    FrameError
        Unknown crop, more pixels asked for than there are, or nothing left.
    """
    if crop not in CROPS:
        raise FrameError("--crop", f"{crop!r} is not known", f"Use one of {', '.join(CROPS)}")
    left, top, right, bottom = _common(size_px, list(corrections))
    wide, high = right - left, bottom - top
    if wide < 32 or high < 32:
        raise FrameError(
            "frames", "are shifted too far against each other", "Film them with --align none"
        )
    aspect = CROPS[crop] or Fraction(*size_px)
    # The film's size comes from the whole picture: a margin of a few pixels for aligning is
    # scaled away, or a shoot at 1920 x 1080 would give an odd size just below it.
    film_w, film_h = _film_size(*_largest(*size_px, float(aspect)), aspect, width_px)
    box_w, box_h = _largest(wide, high, film_w / film_h)
    middle = centre_px or ((left + right) / 2, (top + bottom) / 2)
    framing = Framing(
        left=float(np.clip(middle[0] - box_w / 2, left, right - box_w)),
        top=float(np.clip(middle[1] - box_h / 2, top, bottom - box_h)),
        width=box_w,
        height=box_h,
        width_px=film_w,
        height_px=film_h,
    )
    return framing, _margin_finding(size_px, wide, high)


def _largest(wide: float, high: float, aspect: float) -> tuple[float, float]:
    """The largest box of a shape inside another, (width, height)."""
    return min(wide, high * aspect), min(high, wide / aspect)


def _common(
    size_px: tuple[int, int], corrections: list[Correction]
) -> tuple[float, float, float, float]:
    """left, top, right, bottom of what all frames show once they are aligned."""
    width, height = size_px
    dx = np.array([one.dx_px for one in corrections] or [0.0])
    dy = np.array([one.dy_px for one in corrections] or [0.0])
    turn = max((abs(np.radians(one.turn_deg)) for one in corrections), default=0.0)
    grow = max((abs(one.zoom - 1) for one in corrections), default=0.0)
    spare_x = turn * height / 2 + grow * width / 2
    spare_y = turn * width / 2 + grow * height / 2
    left, top = max(0.0, -dx.min()) + spare_x, max(0.0, -dy.min()) + spare_y
    right = width - max(0.0, dx.max()) - spare_x
    bottom = height - max(0.0, dy.max()) - spare_y
    return float(left), float(top), float(right), float(bottom)


def _film_size(
    box_w: float, box_h: float, aspect: Fraction, width_px: int | None
) -> tuple[int, int]:
    """Never larger than the box; both sides even, as colour is stored at half size."""
    if width_px is not None and width_px > box_w + 1e-6:
        raise FrameError(
            "--width", f"{width_px} px is more than the {int(box_w)} px there are", "Ask for less"
        )
    most = min(1.0, SHORT_SIDE_PX / min(box_w, box_h))
    film_w = width_px if width_px is not None else _near_even(box_w * most)
    film_h = int(float(film_w / aspect) + 1e-6)
    film_w, film_h = film_w // 2 * 2, film_h // 2 * 2
    if min(film_w, film_h) < 16:
        raise FrameError("--width", f"{film_w} x {film_h} px is no film", "Ask for more")
    return film_w, film_h


def _near_even(value: float) -> int:
    return int(value + 1e-6) // 2 * 2


def _margin_finding(size_px: tuple[int, int], wide: float, high: float) -> list[Finding]:
    lost = 1 - min(wide / size_px[0], high / size_px[1])
    if lost <= MUCH_SHARE:
        return []
    text = f"aligning leaves {100 * (1 - lost):.0f} % of the picture, as the camera moved so far"
    return [Finding("cropped", "film", text)]
