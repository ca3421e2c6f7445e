"""Printing moves -> strands: lines along the outside of each bead, lit, ready to be drawn.

A bead has the common cross-section, a rectangle with half-round sides; only the side that
looks to the camera gets strands. Strands are close enough together to leave no gap.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from capturehook.place.height_map import bead_width_mm, chords

if TYPE_CHECKING:
    from capturehook.read.job import Job

Floats = NDArray[np.float64]

LOWEST_DEG = -50.0
"""Undersides deeper than this are not seen from above."""
BACK_DEG = 125.0
"""How far over the top strands go, so that a camera high up sees no gap."""
MOST_ACROSS = 24
"""Strands of one bead: a closer camera sees gaps instead of running for hours."""
END_SHARE = 0.3
"""Beads go on by this share of their width at both ends, for the round ends they have."""
WRAP = 0.15
"""The lamp is no point: its light reaches so far round the form (cosine of the angle)."""
SHINE = 0.25
"""Strength of the highlight."""
SHADOW_EVERY_MM = 0.4
SHADOW_Z_MM = 0.08


@dataclass(frozen=True, slots=True, kw_only=True)
class Beads:
    """n straight beads on the plate.

    Attributes
    ----------
    a_mm, b_mm : (n, 3) start and end of the top of the bead
    width_mm, height_mm : (n,)
    """

    a_mm: Floats
    b_mm: Floats
    width_mm: Floats
    height_mm: Floats

    def __len__(self) -> int:
        return len(self.width_mm)

    def picked(self, which: NDArray[np.bool_] | slice) -> Beads:
        return Beads(**{one.name: getattr(self, one.name)[which] for one in fields(self)})


@dataclass(frozen=True, slots=True, kw_only=True)
class Strands:
    """n lines with (n,) shades 0..1 and over, in plate coordinates."""

    a_mm: Floats
    b_mm: Floats
    shade: Floats


def beads_of(job: Job, first: int, stop: int) -> Beads:
    """Beads of the printing moves ``first`` to ``stop - 1``, arcs as chords."""
    moves, layers = job.moves, job.layers
    picked = first + np.flatnonzero(moves.prints[first:stop])
    x0, y0, x1, y1, of = chords(moves, picked)
    count = np.bincount(of, minlength=len(picked))
    along = np.arange(len(of)) - np.repeat(np.cumsum(count) - count, count)
    at, share = picked[of], 1.0 / count[of]
    rise = moves.z_mm[at] - moves.z0_mm[at]
    z0 = moves.z0_mm[at] + rise * along * share
    layer = np.searchsorted(layers.first_move, at, side="right") - 1
    height = layers.height_mm[np.maximum(layer, 0)]
    length = np.hypot(x1 - x0, y1 - y0)
    width = bead_width_mm(
        moves.e_step_mm[at] * share, length, height, job.profile.machine.filament_mm
    )
    return Beads(
        a_mm=np.stack([x0, y0, z0], axis=1),
        b_mm=np.stack([x1, y1, z0 + rise * share], axis=1),
        width_mm=width,
        height_mm=height,
    )


def make_strands(beads: Beads, toward: Floats, light: Floats, spacing_mm: float) -> Strands:
    """The strands of some beads.

    Parameters
    ----------
    toward : (3,) unit vector from the part to the camera
    light : (3,) unit vector from the part to the lamp
    spacing_mm : greatest distance between strands (one pixel)
    """
    along = _along(beads)
    side = np.stack([along[:, 1], -along[:, 0], np.zeros(len(beads))], axis=1)
    side *= np.where(side @ toward < 0, -1.0, 1.0)[:, None]
    flat, angle = _section(beads, spacing_mm)
    cos, sin = np.cos(angle), np.sin(angle)
    flat_half = np.maximum(beads.width_mm - beads.height_mm, 0)[:, None] / 2
    radius = np.minimum(beads.height_mm, beads.width_mm)[:, None] / 2
    out = flat_half * flat + radius * cos
    up = beads.height_mm[:, None] / 2 * (sin - 1)  # the bead hangs below the nozzle
    offset = out[..., None] * side[:, None, :] + up[..., None] * np.array((0.0, 0.0, 1.0))
    ends = (along * (END_SHARE * beads.width_mm)[:, None])[:, None, :]
    fineness = _fineness(beads, spacing_mm)
    shade = _shade(side, flat, fineness * angle, toward, light, fineness)
    a = (beads.a_mm[:, None, :] - ends + offset).reshape(-1, 3)
    b = (beads.b_mm[:, None, :] + ends + offset).reshape(-1, 3)
    return Strands(a_mm=a, b_mm=b, shade=shade.reshape(-1))


def _along(beads: Beads) -> Floats:
    """(n, 3) directions of beads, of length 1 on the plate."""
    path = beads.b_mm - beads.a_mm
    return np.asarray(path / np.maximum(np.hypot(path[:, 0], path[:, 1]), 1e-9)[:, None])


def make_shadows(beads: Beads, light: Floats, spacing_mm: float) -> tuple[Floats, Floats]:
    """Ends of the lines that some beads darken on the bare plate (plate coordinates).

    Every layer would darken the same place again: one in SHADOW_EVERY_MM is enough.
    """
    dark = beads.picked(beads.a_mm[:, 2] % SHADOW_EVERY_MM < beads.height_mm)
    along = _along(dark)
    side = np.stack([along[:, 1], -along[:, 0], np.zeros(len(dark))], axis=1)
    widest = float(dark.width_mm.max(initial=0.0))
    count = min(MOST_ACROSS, max(1, int(np.ceil(widest / spacing_mm))))
    across = (np.arange(count) + 0.5) / count - 0.5
    offset = (across * dark.width_mm[:, None])[..., None] * side[:, None, :]
    a, b = (
        (_on_plate(end, light)[:, None, :] + offset).reshape(-1, 3)
        for end in (dark.a_mm, dark.b_mm)
    )
    return a, b


def _on_plate(points_mm: Floats, light: Floats) -> Floats:
    """Where the shadow of a point falls, just above the plate's ruled lines."""
    fallen: Floats = points_mm - light * (points_mm[:, 2:] / light[2])
    fallen[:, 2] = SHADOW_Z_MM
    return fallen


def _section(beads: Beads, spacing_mm: float) -> tuple[Floats, Floats]:
    """Points of the visible outline, near side to far: share of the flat half, and angle.

    One outline fits all beads of a batch, so the widest decides the count.
    """
    radius = float(beads.height_mm.max(initial=0.1)) / 2
    flat_mm = float(np.maximum(beads.width_mm - beads.height_mm, 0).max(initial=0.0))
    low, over = np.radians(90.0 - LOWEST_DEG), np.radians(BACK_DEG - 90.0)
    lengths = np.array([radius * low, flat_mm, radius * over])
    counts = np.ceil(lengths / spacing_mm).astype(int)
    counts = np.maximum(1, np.minimum(counts, MOST_ACROSS * lengths / lengths.sum()).astype(int))
    near, top, far = ((np.arange(n) + 0.5) / n for n in counts)
    flat = np.concatenate([np.ones_like(near), 1 - 2 * top, -np.ones_like(far)])
    angle = np.concatenate(
        [np.radians(LOWEST_DEG) + near * low, np.full_like(top, np.pi / 2), np.pi / 2 + far * over]
    )
    return flat, angle


def _fineness(beads: Beads, spacing_mm: float) -> float:
    """0 where a layer is too thin to be seen by itself, 1 where its roundness shows.

    Shading what is finer than the pixels would give patterns that are not there.
    """
    strands = float(np.median(beads.height_mm)) / spacing_mm
    return float(np.clip((strands - 6.0) / 8.0, 0.0, 1.0))


def _shade(
    side: Floats, flat: Floats, angle: Floats, toward: Floats, light: Floats, fineness: float
) -> Floats:
    """(n, K) light that comes back from each strand.

    Lambert's cosine law, a sky that is brighter above, darker seams between beads, and a
    highlight by the half-way vector (Blinn 1977, from memory).
    """
    top = np.abs(flat) < 1
    cos, sin = np.where(top, 0.0, np.cos(angle)), np.where(top, 1.0, np.sin(angle))
    half = toward + light
    half = half / np.linalg.norm(half)
    lit = np.outer(side @ light, cos) + light[2] * sin
    mirror = np.outer(side @ half, cos) + half[2] * sin
    low = np.clip((np.degrees(angle) - LOWEST_DEG) / 60, 0, 1)
    seam = 1.0 - 0.3 * fineness * np.where(top, 0.0, 1.0 - low)
    wrapped = np.maximum(lit + WRAP, 0.0) / (1.0 + WRAP)
    plain = (0.26 + 0.12 * sin + 0.76 * wrapped) * seam
    return np.asarray(plain + SHINE * np.maximum(mirror, 0.0) ** 24)
