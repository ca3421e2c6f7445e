"""Layer images of a resin job -> the part as slabs, and its skin as lines ready to be drawn.

Coordinates are the part's own: X to the right of the picture, Y to its upper edge, Z down from
the plate as a negative number, all from the middle of the plate's face, mm.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import FrameError
from capturehook.model.resin_job import ResinJob
from capturehook.resin.area import LayerImages
from capturehook.resin.body import SCREEN_MM, Body, BodyImages, open_images

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

FEWEST_SLABS, MOST_SLABS = 200, 400
WIDEST_PX = 640
"""Layer images are made smaller until they are no wider."""
HALF_LIT = 128
BLUR_PX = 2
"""Reach of the mean that normals are taken from: it hides the steps of the pixels."""
MARGIN_PX = 2 * BLUR_PX + 2
"""Beside what is lit: as far as that mean, which is taken twice, and a slope reach."""
SMOOTH_MM = 0.8
LEAST_FALL = 0.02
"""Share of filling lost on one mm, from which a direction can be told."""
UP = np.array((0.0, 0.0, 1.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Slabs:
    """The part in G slabs from the plate down, each of some layers, shown by the last of them.

    Attributes
    ----------
    masks : G packed pictures; see :meth:`mask`
    last_layer : (G,) the layer, from 1, that ends each slab
    end_mm : (G + 1,) Z at which slabs end, from the plate's face: 0 and then falling
    pitch_mm : width and height of a pixel of the masks
    shape : (H, W) of the masks: of the screen they show what is ever lit, and some margin
    screen_px : rows and columns of the whole screen
    corner : row and column of the screen at which the masks begin
    """

    masks: tuple[NDArray[np.uint8], ...]
    last_layer: NDArray[np.int64]
    end_mm: Floats
    pitch_mm: float
    shape: tuple[int, int]
    screen_px: tuple[int, int]
    corner: tuple[int, int]

    def __len__(self) -> int:
        return len(self.masks)

    def mask(self, slab: int) -> Mask:
        """(H, W) where a slab is solid; all of it before the first (the plate), none after."""
        if slab < 0:
            return np.ones(self.shape, bool)
        if slab >= len(self):
            return np.zeros(self.shape, bool)
        flat = np.unpackbits(self.masks[slab], count=self.shape[0] * self.shape[1])
        return flat.reshape(self.shape).astype(bool)

    def done(self, layer: int) -> int:
        """How many slabs there are once a layer is there; one at least."""
        return max(1, int(np.searchsorted(self.last_layer, layer, side="right")))

    @property
    def screen_mm(self) -> tuple[float, float]:
        """Width and depth of the lamp's screen."""
        high, wide = self.screen_px
        return wide * self.pitch_mm, high * self.pitch_mm

    def bounds_mm(self) -> tuple[Floats, Floats]:
        """(3,) least and greatest corner of the whole part."""
        top, bottom, left, right = _lit_box([self.mask(slab) for slab in range(len(self))])
        x, y = self.edges_mm()
        low = np.array((x[left], y[bottom], self.end_mm[-1]))
        return low, np.array((x[right], y[top], 0.0))

    def edges_mm(self) -> tuple[Floats, Floats]:
        """(W + 1,) X and (H + 1,) Y of the edges between pixels."""
        high, wide = self.shape
        x = (self.corner[1] + np.arange(wide + 1) - self.screen_px[1] / 2) * self.pitch_mm
        y = (self.screen_px[0] / 2 - self.corner[0] - np.arange(high + 1)) * self.pitch_mm
        return np.asarray(x, np.float64), np.asarray(y, np.float64)


def _lit_box(masks: list[Mask]) -> tuple[int, int, int, int]:
    """First row, row after the last, and likewise of the columns, in which anything is lit."""
    any_lit = np.logical_or.reduce(masks)
    rows, columns = (np.flatnonzero(any_lit.any(axis=axis)) for axis in (1, 0))
    return int(rows[0]), int(rows[-1]) + 1, int(columns[0]), int(columns[-1]) + 1


def read_slabs(
    job: ResinJob,
    screen_mm: float | None,
    poses: int,
    body: Body | None = None,
) -> Slabs:
    """The part of a job.

    Parameters
    ----------
    screen_mm : width of the lamp's screen, which the layer images fill; None: as the job states
    body : what is cut into layers, for a job without images of its own
    poses : how many frames there will be: about so many slabs show growth in each

    Raises
    ------
    FrameError
        No layer image lights anything.
    FileError, CaptureHookError
        See :func:`capturehook.resin.area.read_pixels`.
    """
    layers = len(job.timeline)
    thick = -(-layers // min(MOST_SLABS, max(FEWEST_SLABS, poses)))
    last = np.unique(np.append(np.arange(thick, layers + 1, thick), layers))
    masks: list[Mask] = []
    wide_px = 0
    with open_images(job, body, screen_mm) as images:
        for layer in last:
            mask, wide_px = _mask_of(images, job, int(layer), masks, wide_px)
            masks.append(mask)
    if not any(mask.any() for mask in masks):
        raise FrameError(
            job.path, "has no layer image that lights anything", "Check the images with --area"
        )
    high, wide = masks[0].shape
    top, bottom, left, right = _lit_box(masks)
    top, left = max(0, top - MARGIN_PX), max(0, left - MARGIN_PX)
    bottom, right = min(high, bottom + MARGIN_PX), min(wide, right + MARGIN_PX)
    return Slabs(
        masks=tuple(np.packbits(mask[top:bottom, left:right]) for mask in masks),
        last_layer=last,
        end_mm=np.concatenate([[0.0], -job.timeline.z_mm[last - 1]]),
        pitch_mm=_screen_mm(job, screen_mm, wide_px) / wide,
        shape=(bottom - top, right - left),
        screen_px=(high, wide),
        corner=(top, left),
    )


def _screen_mm(job: ResinJob, wish_mm: float | None, wide_px: int) -> float:
    """Width of the screen: as wished, by the job's own pitch, or of a small printer."""
    stated_mm = 0.0 if job.stored is None else job.stored.pitch_mm * wide_px
    return wish_mm or stated_mm or SCREEN_MM


def _mask_of(
    images: LayerImages | BodyImages,
    job: ResinJob,
    layer: int,
    before: list[Mask],
    wide_px: int,
) -> tuple[Mask, int]:
    """((H, W) where a layer's image is lit, pixels of the image across); a layer without image
    is like the layer before."""
    name = job.images[layer - 1] if job.images else ""
    if not name:
        if not before:
            raise FrameError(
                f"{job.path}: layer {layer}", "has no image to draw", "Slice the model again"
            )
        return before[-1], wide_px
    pixels = images.read(layer - 1)
    lit = pixels if pixels.ndim == 2 else pixels.max(axis=2)
    factor = -(-lit.shape[1] // WIDEST_PX)
    high, wide = (side // factor * factor for side in lit.shape)
    blocks = lit[:high, :wide].reshape(high // factor, factor, wide // factor, factor)
    mask: Mask = blocks.mean(axis=(1, 3), dtype=np.float32) >= HALF_LIT
    if before and mask.shape != before[0].shape:
        raise FrameError(
            f"{job.path}: {name}", "is of another size than the image before", "Slice it again"
        )
    return mask, lit.shape[1]


@dataclass(frozen=True, slots=True, kw_only=True)
class Skin:
    """n lines on the outside of the part, and where the surface faces there: (n, 3)."""

    a_mm: Floats
    b_mm: Floats
    normal: Floats


def skin_of(slabs: Slabs, slab: int, spacing_mm: float) -> Skin:
    """The sides of one slab, and of its flat faces what the slabs beside it leave bare.

    Parameters
    ----------
    spacing_mm : greatest distance between lines
    """
    here, above, below = (slabs.mask(slab + by) for by in (0, -1, 1))
    top, bottom = (float(z) for z in slabs.end_mm[slab : slab + 2])
    slope = _slope(slabs, slab)
    return _joined(
        [
            _sides(slabs, here, slope, (top, bottom), spacing_mm),
            _flat(slabs, here & ~above, slope, top, spacing_mm, UP),
            _flat(slabs, here & ~below, slope, bottom, spacing_mm, -UP),
        ]
    )


def underside(slabs: Slabs, slab: int, spacing_mm: float) -> Skin:
    """The whole lower face of one slab: what hangs lowest while it is the newest."""
    level = np.zeros((*slabs.shape, 3))
    z_mm = float(slabs.end_mm[slab + 1])
    return _flat(slabs, slabs.mask(slab), level, z_mm, spacing_mm, -UP)


def _joined(parts: list[Skin]) -> Skin:
    names = [one.name for one in fields(Skin)]
    return Skin(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in names})


def _slope(slabs: Slabs, slab: int) -> Floats:
    """(H, W, 3) how the filling falls off to the right, to the back and upwards, per mm.

    Taken over SMOOTH_MM up and down as well, so that a taper shows no steps.
    """
    thick_mm = float(slabs.end_mm[slab] - slabs.end_mm[slab + 1])
    reach = max(1, round(SMOOTH_MM / max(thick_mm, 1e-9)))
    first, last = max(0, slab - reach), min(len(slabs) - 1, slab + reach)
    over, here, under = (_blur(slabs.mask(k).astype(np.float64)) for k in (first, slab, last))
    apart_mm = max(float(slabs.end_mm[first] - slabs.end_mm[last]), thick_mm)
    smooth = (over + 2 * here + under) / 4
    fall = np.empty((*slabs.shape, 3))
    fall[..., 0] = -np.gradient(smooth, slabs.pitch_mm, axis=1)
    fall[..., 1] = np.gradient(smooth, slabs.pitch_mm, axis=0)
    fall[..., 2] = (under - over) / apart_mm
    return fall


def _blur(values: Floats) -> Floats:
    """Mean over a square, twice, the edges going on as they are."""
    for axis in (0, 1, 0, 1):
        pad = [(0, 0), (0, 0)]
        pad[axis] = (BLUR_PX + 1, BLUR_PX)
        total = np.cumsum(np.pad(values, pad, mode="edge"), axis=axis)
        size = 2 * BLUR_PX + 1
        ahead = np.take(total, np.arange(size, total.shape[axis]), axis=axis)
        behind = np.take(total, np.arange(total.shape[axis] - size), axis=axis)
        values = (ahead - behind) / size
    return values


def _sides(
    slabs: Slabs, here: Mask, slope: Floats, z_mm: tuple[float, float], spacing_mm: float
) -> Skin:
    """Upright lines along every edge between a lit and an unlit pixel."""
    x, y = slabs.edges_mm()
    padded = np.pad(here, 1)
    share = _shares(slabs.pitch_mm, spacing_mm)
    places, normals = [], []
    for down, right in ((0, 1), (0, -1), (1, 0), (-1, 0)):
        beside = np.roll(padded, (-down, -right), axis=(0, 1))[1:-1, 1:-1]
        row, column = np.nonzero(here & ~beside)
        across = x[column][:, None] + slabs.pitch_mm * share
        along = y[row][:, None] - slabs.pitch_mm * share
        if right:
            across = np.broadcast_to(x[column + (right > 0)][:, None], along.shape)
        else:
            along = np.broadcast_to(y[row + (down > 0)][:, None], across.shape)
        places.append(np.stack([across.ravel(), along.ravel()], axis=1))
        plain = np.array((right, -down, 0.0))
        normal = _unit(slope[row, column], plain)
        normals.append(np.repeat(normal, len(share), axis=0))
    place = np.concatenate(places)
    top, bottom = (np.full((len(place), 1), z) for z in z_mm)
    a, b = np.hstack([place, top]), np.hstack([place, bottom])
    return Skin(a_mm=a, b_mm=b, normal=np.concatenate(normals))


def _flat(
    slabs: Slabs, mask: Mask, slope: Floats, z_mm: float, spacing_mm: float, plain: Floats
) -> Skin:
    """Level lines over each lit pixel of a mask."""
    x, y = slabs.edges_mm()
    row, column = np.nonzero(mask)
    share = _shares(slabs.pitch_mm, spacing_mm)
    along = (y[row][:, None] - slabs.pitch_mm * share).ravel()
    ends = [np.repeat(x[column + more], len(share)) for more in (0, 1)]
    level = np.full(len(along), z_mm)
    a, b = (np.stack([across, along, level], axis=1) for across in ends)
    normal = _unit(slope[row, column], plain)
    return Skin(a_mm=a, b_mm=b, normal=np.repeat(normal, len(share), axis=0))


def _unit(fall: Floats, plain: Floats) -> Floats:
    """(n, 3) directions of length 1; the plain one where the filling hardly falls off."""
    length = np.linalg.norm(fall, axis=1, keepdims=True)
    return np.where(length > LEAST_FALL, fall / np.maximum(length, 1e-9), plain)


def _shares(pitch_mm: float, spacing_mm: float) -> Floats:
    count = max(1, int(np.ceil(pitch_mm / spacing_mm)))
    return (np.arange(count) + 0.5) / count
