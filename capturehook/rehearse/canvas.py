"""A picture with depth, drawn into by whole arrays of lines and by single faces.

Each pixel is one 64-bit number: nearness (1/depth) above, then what it belongs to, then its
colour; the greatest number wins, so depth test and colour are one step. Drawn `FINE` times
finer than shown, and averaged.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from capturehook.rehearse.camera import View

Floats = NDArray[np.float64]
Keys = NDArray[np.uint64]
Box = tuple[int, int, int, int]
"""Pixels: top, bottom, left, right; bottom and right are excluded."""

Walk = tuple[NDArray[np.intp], NDArray[np.intp], Floats, NDArray[np.intp]]

SKY, STILL, BED, PART, HEAD = range(5)
"""What a pixel belongs to: nothing, things that stand still, the plate, the print, the head."""

FINE = 2
NEAR_MM = 5.0
"""Nothing nearer to the lens is drawn."""
UPPER_HALF = np.uint64(0xFFFFFFFF << 32)
ON_IT = 1.02
"""A stain lies on what is at most this much further away."""
BAND = 32
"""Rows of a face filled at a time."""
CHUNK = 1 << 18
"""Pixels of lines laid at a time: keeps arrays in the cache, memory low."""


def pack_colour(rgb: NDArray[np.floating], owner: int) -> NDArray[np.uint32]:
    """(n, 3) colours 0..255 -> (n,) the lower half of a pixel."""
    whole = np.clip(np.rint(rgb), 0, 255).astype(np.uint32)
    coded = whole[:, 0] | whole[:, 1] << 8 | whole[:, 2] << 16 | np.uint32(owner << 24)
    return np.asarray(coded, dtype=np.uint32)


class Canvas:
    """Pixels of one view; ``keys`` has shape (H, W), 0 where nothing was drawn."""

    def __init__(self, view: View) -> None:
        self.view = view
        self.keys: Keys = np.zeros((view.height_px, view.width_px), dtype=np.uint64)
        self._first = np.full(view.height_px, view.width_px)
        self._last = np.full(view.height_px, -1)

    @property
    def owner(self) -> NDArray[np.uint8]:
        """(H, W) SKY, STILL, BED, PART or HEAD."""
        return owner_of(self.keys)

    def taken_faces(self, fine: int = FINE) -> Iterator[tuple[Box, Keys]]:
        """All that faces were filled into since the last call, in bands of rows: the box of each,
        widened to whole shown pixels, and its pixels; they are cleared after."""
        rows = np.flatnonzero(self._last >= 0)
        for start in range(int(rows[0]) // BAND * BAND if len(rows) else 0,
                           int(rows[-1]) + 1 if len(rows) else 0, BAND):  # fmt: skip
            band = slice(start, start + BAND)
            left, right = int(self._first[band].min()), int(self._last[band].max()) + 1
            if left < right:
                box = snap_box((start, min(start + BAND, len(self.keys)), left, right), fine)
                pixels = self.keys[slices(box)]
                yield box, pixels
                pixels[:] = 0
        self._first[:], self._last[:] = self.view.width_px, -1

    def draw_lines(self, a_mm: Floats, b_mm: Floats, colour: NDArray[np.uint32]) -> Box:
        """Draw straight lines, one pixel wide, one colour each; those at the lens are left out.

        Parameters
        ----------
        a_mm, b_mm : (n, 3) room points
        colour : (n,) see :func:`pack_colour`

        Returns
        -------
        the box of pixels they lie in (bottom <= top where there are none)
        """
        box: Box = (self.view.height_px, 0, self.view.width_px, 0)
        flat, paint = self.keys.reshape(-1), colour.astype(np.uint64)
        for x, y, near, of in self._pixels_of(a_mm, b_mm):
            np.maximum.at(flat, y * self.view.width_px + x, nearness(near) | paint[of])
            box = grow_box(box, _box_of(x, y))
        return box

    def stain_lines(self, a_mm: Floats, b_mm: Floats, colour: np.uint32) -> Box:
        """Give one colour to the pixels of lines that lie on what has that colour's owner.

        Depths stay as they are; what stands before the lines is left alone.
        """
        box: Box = (self.view.height_px, 0, self.view.width_px, 0)
        flat, owner = self.keys.reshape(-1), np.uint8(int(colour) >> 24)
        for x, y, near, _ in self._pixels_of(a_mm, b_mm):
            at = y * self.view.width_px + x
            lies_on = (owner_of(flat[at]) == owner) & (1 / near < depth_of(flat[at]) * ON_IT)
            at = at[lies_on]
            if len(at):
                flat[at] = (flat[at] & UPPER_HALF) | np.uint64(colour)
                box = grow_box(box, _box_of(x[lies_on], y[lies_on]))
        return box

    def seen_lines(self, a_mm: Floats, b_mm: Floats, slack_mm: float) -> NDArray[np.bool_]:
        """(n,) True for lines of which a pixel is not deeper than ``slack_mm`` behind the front."""
        seen = np.zeros(len(a_mm), dtype=bool)
        front = depth_of(self.keys).reshape(-1)
        for x, y, near, of in self._pixels_of(a_mm, b_mm):
            in_sight = 1.0 / near <= front[y * self.view.width_px + x] + slack_mm
            seen[of[in_sight]] = True
        return seen

    def fill_face(
        self,
        corners_mm: Floats,
        colour: NDArray[np.floating],
        owner: int,
        texture: Callable[[Floats, Floats, Floats], NDArray[np.floating]] | None = None,
    ) -> None:
        """Fill one flat convex face.

        Parameters
        ----------
        corners_mm : (n, 3) room points in turn
        colour : (3,) 0..255
        texture : room x, y, z (n,) -> factor of the colour (n,)
        """
        seen = _before_the_lens(self.view.to_camera(corners_mm))
        if len(seen) < 3:
            return
        normal = _normal(seen)
        reach = float(normal @ seen[0])
        spans = self._spans_of(seen)
        if spans is None or abs(reach) < 1e-9:
            return
        rows, first, last = spans
        touched = slice(rows[0], rows[-1] + 1)
        np.minimum(self._first[touched], first, out=self._first[touched])
        np.maximum(self._last[touched], last, out=self._last[touched])
        own = pack_colour(np.asarray(colour, dtype=np.float64)[None, :], owner).astype(np.uint64)
        for start in range(0, len(rows), BAND):
            band = slice(start, start + BAND)
            row = rows[band, None]
            left, right = int(first[band].min()), int(last[band].max()) + 1
            column = np.arange(left, right)
            near = self._nearness_on(normal / reach, column, row)
            paint = own
            if texture is not None:
                shade = texture(*self._room_points(column, row, near))
                rgb = shade.reshape(-1, 1) * np.asarray(colour)
                paint = pack_colour(rgb, owner).astype(np.uint64).reshape(near.shape)
            key = nearness(near)
            key |= paint
            key *= (column >= first[band, None]) & (column <= last[band, None])
            part = self.keys[row[0, 0] : row[-1, 0] + 1, left:right]
            np.maximum(part, key, out=part)

    def _spans_of(
        self, seen: Floats
    ) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]] | None:
        """Rows that a face (n, 3) of camera space covers, with first and last column of each;
        those of the pixels whose centres lie in it. None where it is out of the picture."""
        px = self.view.focal_px * seen[:, :2] / seen[:, 2:]
        px += (self.view.width_px / 2, self.view.height_px / 2)
        top = max(0, int(np.floor(px[:, 1].min())))
        bottom = min(self.view.height_px, int(np.ceil(px[:, 1].max())))
        rows = np.arange(top, max(bottom, top))
        low, high = _spans(px, rows.astype(np.float64) + 0.5)
        first = np.ceil(np.clip(low, 0, self.view.width_px) - 0.5).astype(np.intp)
        last = np.floor(np.clip(high, 0, self.view.width_px) - 0.5).astype(np.intp)
        filled = np.flatnonzero(last >= first)  # convex: without gaps
        if not len(filled):
            return None
        within = slice(filled[0], filled[-1] + 1)
        return rows[within], first[within], last[within]

    def _nearness_on(
        self, plane: Floats, column: NDArray[np.intp], row: NDArray[np.intp]
    ) -> NDArray[np.float32]:
        """1/depth of pixels on the plane ``plane`` . X = 1 of camera space: linear in both."""
        slope = plane / self.view.focal_px
        across = slope[0] * (column + 0.5 - self.view.width_px / 2)
        down = plane[2] + slope[1] * (row + 0.5 - self.view.height_px / 2)
        return np.asarray(across.astype(np.float32) + down.astype(np.float32))

    def _room_points(
        self, column: NDArray[np.intp], row: NDArray[np.intp], near: NDArray[np.float32]
    ) -> Floats:
        """(3, h, w) room x, y, z of pixels of which the depth is known."""
        right = (column + 0.5 - self.view.width_px / 2) / self.view.focal_px
        down = (row + 0.5 - self.view.height_px / 2) / self.view.focal_px
        depth = 1.0 / near
        axes = zip(self.view.axes.T, self.view.eye_mm, strict=True)
        points = [(one[0] * right + one[1] * down + one[2]) * depth + eye for one, eye in axes]
        return np.stack(points)

    def _pixels_of(self, a_mm: Floats, b_mm: Floats) -> Iterator[Walk]:
        """Pixels of lines that are in the picture, in batches: column, row, nearness, line."""
        kept, start, step, count = self._project(a_mm, b_mm)
        for part in _chunks(count):
            x, y, near, of = _walk(start[part], step[part], count[part])
            inside = (x >= 0) & (x < self.view.width_px) & (y >= 0) & (y < self.view.height_px)
            if inside.any():
                yield x[inside], y[inside], near[inside], kept[part][of[inside]]

    def _project(
        self, a_mm: Floats, b_mm: Floats
    ) -> tuple[NDArray[np.intp], Floats, Floats, NDArray[np.intp]]:
        """Lines before the lens: which, first pixel place, step from pixel to pixel, pixels."""
        ends = np.stack([a_mm, b_mm])
        kept = np.flatnonzero((self.view.to_camera(ends)[..., 2] > NEAR_MM).all(axis=0))
        start, stop = self.view.to_pixels(ends[:, kept])
        path = stop - start
        count = np.ceil(np.abs(path[:, :2]).max(axis=1, initial=0.0)).astype(np.intp) + 1
        step = path / count[:, None]
        return kept, start + step / 2, step, count


def nearness(near: NDArray[np.floating]) -> Keys:
    """(n,) 1/depth -> the upper half of a pixel; positive floats sort as their bits do."""
    bits = near.astype(np.float32, copy=False).view(np.uint32).astype(np.uint64)
    bits <<= np.uint64(32)
    return np.asarray(bits)


def depth_of(keys: Keys) -> NDArray[np.float32]:
    """Depth of each pixel, mm; infinite where nothing was drawn."""
    near = (keys >> np.uint64(32)).astype(np.uint32).view(np.float32)
    with np.errstate(divide="ignore"):
        return np.asarray(np.float32(1.0) / near)


def owner_of(keys: Keys) -> NDArray[np.uint8]:
    """What each pixel belongs to."""
    return np.asarray((keys >> np.uint64(24)).astype(np.uint8))


def average(keys: Keys, fine: int = FINE) -> NDArray[np.uint8]:
    """(H, W) pixels -> (H/fine, W/fine, 3) colours, each the mean of fine x fine pixels.

    Red, green and blue are added in the quarters of one number: sums of 16 x 16 bytes fit.
    """
    high, wide = keys.shape[0] // fine, keys.shape[1] // fine
    out = np.empty((high, wide, 3), np.uint8)
    half = np.uint64(fine * fine // 2 * (1 | 1 << 16 | 1 << 32))
    for top in range(0, high, BAND):
        band = keys[top * fine : (top + BAND) * fine]
        parts = band & np.uint64(0x00FF00FF) | (band & np.uint64(0xFF00)) << np.uint64(24)
        total = parts[::fine] + half
        for row in range(1, fine):
            total += parts[row::fine]
        parts, total = total, total[:, ::fine].copy()
        for column in range(1, fine):
            total += parts[:, column::fine]
        total -= half * np.uint64(fine - 1)
        mean = total.astype("<u8", copy=False).view(np.uint16).reshape(-1, wide, 4)
        mean //= np.uint16(fine * fine)
        for channel, quarter in enumerate((0, 2, 1)):
            out[top : top + BAND, :, channel] = mean[..., quarter]
    return out


def grow_box(a: Box, b: Box | None) -> Box:
    """The least box round two."""
    if b is None:
        return a
    return min(a[0], b[0]), max(a[1], b[1]), min(a[2], b[2]), max(a[3], b[3])


def slices(box: Box, fine: int = 1) -> tuple[slice, slice]:
    """Rows and columns of a box, in pixels ``fine`` times larger."""
    top, bottom, left, right = (edge // fine for edge in box)
    return slice(top, bottom), slice(left, right)


def snap_box(box: Box, fine: int = FINE) -> Box:
    """The box widened to whole shown pixels."""
    top, bottom, left, right = box
    top, left = top // fine * fine, left // fine * fine
    return top, -(-bottom // fine) * fine, left, -(-right // fine) * fine


def _box_of(x: NDArray[np.intp], y: NDArray[np.intp]) -> Box:
    return int(y.min()), int(y.max()) + 1, int(x.min()), int(x.max()) + 1


def _walk(start: Floats, step: Floats, count: NDArray[np.intp]) -> Walk:
    """Pixels of lines: column, row, nearness and the line of each.

    Nearness, like place, goes evenly from pixel to pixel along a projected line.
    """
    of = np.repeat(np.arange(len(count)), count)
    along = (np.arange(len(of)) - np.repeat(np.cumsum(count) - count, count)).astype(np.float64)
    x, y, near = (start[of, k] + along * step[of, k] for k in range(3))
    return np.floor(x).astype(np.intp), np.floor(y).astype(np.intp), near, of


def _chunks(count: NDArray[np.intp]) -> list[slice]:
    """Cut lines so that no slice has much more than CHUNK pixels."""
    if not len(count):
        return []
    ends = np.cumsum(count)
    cuts = np.searchsorted(ends, np.arange(CHUNK, int(ends[-1]), CHUNK)).tolist()
    edges = sorted({0, *(cut + 1 for cut in cuts), len(count)})
    return [slice(a, b) for a, b in pairwise(edges)]


def _before_the_lens(corners: Floats) -> Floats:
    """A face cut off at NEAR_MM. Source: Sutherland and Hodgman 1974, one plane."""
    if corners[:, 2].min() >= NEAR_MM:
        return corners
    kept: list[Floats] = []
    for here, there in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        if here[2] >= NEAR_MM:
            kept.append(here)
        if (here[2] >= NEAR_MM) != (there[2] >= NEAR_MM):
            share = (NEAR_MM - here[2]) / (there[2] - here[2])
            kept.append(here + share * (there - here))
    return np.array(kept).reshape(-1, 3)


def _normal(corners: Floats) -> Floats:
    """Normal of a flat face, as long as twice its area. Source: Newell's sum (from memory)."""
    x, y, z = corners.T
    x1, y1, z1 = np.concatenate((corners[1:], corners[:1])).T
    return np.array([y @ z1 - z @ y1, z @ x1 - x @ z1, x @ y1 - y @ x1])


def _spans(px: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Least and greatest x inside a convex face on each line of constant y (h,)."""
    after = np.roll(px, -1, axis=0)
    turn = float((px[:, 0] * after[:, 1] - after[:, 0] * px[:, 1]).sum())
    low, high = np.full(len(y), -np.inf), np.full(len(y), np.inf)
    for (ax, ay), (bx, by) in zip(px, after, strict=True):
        if by == ay:
            high[(bx - ax) * (y - ay) * turn < 0] = -np.inf
            continue
        edge = ax + (bx - ax) * (y - ay) / (by - ay)
        if (by - ay) * turn > 0:
            high = np.minimum(high, edge)
        else:
            low = np.maximum(low, edge)
    return low, high
