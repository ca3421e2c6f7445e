"""Each new picture held against the last good ones, by the tests of the audit.

The last pictures are kept small in memory (some five megabytes each); which part of them is still
is found anew every few frames. A frame is looked at twice: when it comes, and once more when the
next one has come, since what is elsewhere shows best between two neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from capturehook.audit.faults import Faults, find_faults, least_moved_px
from capturehook.audit.verdicts import BLURRED, DARK, MOVED, NOT_PARKED, OVEREXPOSED, Verdict
from capturehook.errors import FrameError
from capturehook.frames.decode import read_reduced, upright_size
from capturehook.frames.listing import Frame, FrameList
from capturehook.frames.measure import (
    gathered,
    measure_picture,
    sizes_for,
)
from capturehook.frames.reference import Rectangle, Reference, reference_among
from capturehook.frames.rows import Row, Scale

KEPT = 12
LEAST = 4
"""So many frames before one can be held against others."""
LEAST_ODD = 7
"""And before one can be called odd: by then it is known what rises with the part."""
ODD_AT_LEAST = 0.003
ODD_TIMES = 3.0
ODD_BEFORE = 6
"""Frames whose share is remembered: with one neighbour after it, a frame of a coarse shoot is
never wholly like those around, and an odd one is so many times as odd."""
ANEW = 6
STAYS = 4
"""An odd content that stays so long belongs to the scene."""


@dataclass
class Kept:
    """A picture in memory; ``nudge`` is what was added to its place by knocks since (dx, dy px,
    degrees, zoom)."""

    frame: Frame
    height: float
    fine: NDArray[np.uint8]
    row: Row
    look: NDArray[np.uint8]
    nudge: NDArray[np.float64]
    told: Verdict | None = None

    @property
    def placed(self) -> Row:
        dx, dy, turn, zoom = self.nudge.tolist()
        row = self.row
        return replace(
            row,
            dx_px=row.dx_px + dx,
            dy_px=row.dy_px + dy,
            turn_deg=row.turn_deg + turn,
            zoom=row.zoom + zoom,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """A verdict on a frame; ``knocked_px`` where the camera stayed elsewhere from it on."""

    frame: Frame
    verdict: Verdict | None
    knocked_px: float | None = None


class Looks:
    """The last good frames, and what a new one is worth against them."""

    def __init__(
        self, static_px: Rectangle | None = None, *, parked: bool = True, planned: int = 1000
    ) -> None:
        """``parked``: frames show the parked machine (not so with a free-running timer).
        ``planned``: how many frames there will be."""
        self.static_px, self.parked, self.planned = static_px, parked, planned
        self.scale: Scale | None = None
        self.size_px = (0, 0)
        self.orientation = 1
        self.reference: Reference | None = None
        self.kept: list[Kept] = []
        self.since = 0
        self.odd_run = 0
        self.shares: list[float] = []

    def add(self, frame: Frame, height: float) -> list[Seen]:
        """Judge one more frame (and the one before it once more).

        Parameters
        ----------
        height : of the part, mm

        Raises
        ------
        FrameError
            The picture cannot be decoded, or is of another size than those before.
        """
        frame = self._upright(frame)
        fine = read_reduced(frame.path, self._scale_for(frame).fine, frame.orientation)
        self.kept.append(self._measured(frame, height, fine))
        if len(self.kept) < LEAST or self.reference is None:
            self._look_anew()
            return self._at_once()
        seen = self._judge()
        self._drop_spoilt()
        self._look_anew()
        return seen

    def _upright(self, frame: Frame) -> Frame:
        """Turned as the first one: a camera on a tripod does not turn."""
        if self.scale is None:
            self.orientation = frame.orientation
        stored = upright_size(frame.size_px, frame.orientation)
        return replace(
            frame,
            orientation=self.orientation,
            size_px=upright_size(stored, self.orientation),
        )

    def _scale_for(self, frame: Frame) -> Scale:
        if self.scale is None:
            self.scale, self.size_px = sizes_for(frame.size_px, self.planned), frame.size_px
        if frame.size_px != self.size_px:
            wide, high = frame.size_px
            raise FrameError(
                frame.name,
                f"is {wide} x {high} px and the first frame {self.size_px[0]} x {self.size_px[1]}",
                "Set the camera back to the size and format it began with",
            )
        return self.scale

    def _measured(self, frame: Frame, height: float, fine: NDArray[np.uint8]) -> Kept:
        if self.reference is None:
            assert self.scale is not None
            self.reference = reference_among([fine], self.scale, self.static_px)
        row, look, _ = measure_picture(fine, self.reference)
        return Kept(frame=frame, height=height, fine=fine, row=row, look=look, nudge=np.zeros(4))

    def _look_anew(self) -> None:
        """Find what is still among the pictures at hand, every few frames."""
        self.since += 1
        if len(self.kept) > LEAST and self.since < ANEW:
            return
        assert self.scale is not None
        self.since = 0
        self.reference = reference_among(
            [one.fine for one in self.kept], self.scale, self.static_px
        )
        for one in self.kept:
            one.row, one.look, _ = measure_picture(one.fine, self.reference)

    def _at_once(self) -> list[Seen]:
        """What can be told of the very first frames: black, or burnt out."""
        faults = self._faults()
        last = len(self.kept) - 1
        verdict = DARK if faults.dark[last] else OVEREXPOSED if faults.overexposed[last] else None
        self.kept[last].told = verdict
        return [Seen(frame=self.kept[last].frame, verdict=verdict)]

    def _faults(self) -> Faults:
        assert self.reference is not None
        kept = self.kept
        measures = gathered(
            [one.placed for one in kept], np.stack([one.look for one in kept]), self.reference
        )
        frames = FrameList(
            frames=tuple(one.frame for one in kept),
            t_s=np.arange(float(len(kept))),
            clock="camera",
            step_s=0.0,
            findings=(),
        )
        every = np.ones(len(kept), bool)
        height = np.array([one.height for one in kept])
        return find_faults(frames, measures, every, None, height)

    def _judge(self) -> list[Seen]:
        knocked_px = self._knocked_px()
        if len(self.kept) < LEAST:  # nothing of what was still is in sight
            return [Seen(frame=self.kept[-1].frame, verdict=None, knocked_px=knocked_px)]
        faults = self._faults()
        odd = self._is_odd(faults)
        seen = []
        for index in (len(self.kept) - 2, len(self.kept) - 1):
            one = self.kept[index]
            verdict = self._verdict(faults, index, odd=odd)
            is_new = index == len(self.kept) - 1
            if is_new or (verdict is not None and one.told is None):
                knock = knocked_px if is_new else None
                seen.append(Seen(frame=one.frame, verdict=verdict, knocked_px=knock))
                one.told = verdict
        return seen

    def _is_odd(self, faults: Faults) -> bool:
        """The frame before the last one shows something elsewhere."""
        index = len(self.kept) - 2
        share = float(faults.odd_share[index])
        usual = float(np.median(self.shares[-ODD_BEFORE:])) if self.shares else 0.0
        if np.isfinite(share):
            self.shares.append(share)
        enough = self.parked and len(self.kept) >= LEAST_ODD and bool(faults.not_parked[index])
        return enough and share > max(ODD_AT_LEAST, ODD_TIMES * usual)

    def _verdict(self, faults: Faults, index: int, *, odd: bool) -> Verdict | None:
        rules = (
            (faults.dark[index], DARK),
            (faults.overexposed[index], OVEREXPOSED),
            (faults.blurred[index], BLURRED),
            (odd and index == len(self.kept) - 2, NOT_PARKED),
            (faults.moved[index], MOVED),
        )
        return next((verdict for holds, verdict in rules if holds), None)

    def _knocked_px(self) -> float | None:
        """How far the camera now stands from where it stood, once two frames in a row say so. The
        frames before are then counted as if taken from there."""
        if len(self.kept) < LEAST + 1 or self.reference is None or not self.reference.area.sure:
            return None
        rows = [one.placed for one in self.kept]
        place = np.array([(row.dx_px, row.dy_px, row.turn_deg, row.zoom) for row in rows])
        arm_px = float(np.hypot(*self.size_px)) / 2
        units = np.array((1.0, 1.0, np.radians(1.0) * arm_px, arm_px))
        known = np.isfinite(place).all(axis=1)
        if not known[-2:].any() and known[:-2].any():
            self._begin_anew()
            return float("inf")
        if not known[-2:].all():
            return None
        usual = np.nanmedian(place[:-2], axis=0)
        jump = np.median(place[-2:], axis=0) - usual
        apart_px = float(np.linalg.norm((place[-1] - place[-2]) * units))
        strays = np.linalg.norm((place[:-2] - usual) * units, axis=1)
        limit_px = max(least_moved_px(self.reference.scale.work_scale), 6 * np.nanmedian(strays))
        far_px = min(np.linalg.norm((one - usual) * units) for one in place[-2:])
        if far_px <= limit_px or apart_px > max(limit_px, 0.3 * far_px):
            return None
        for one in self.kept[:-2]:
            one.nudge = one.nudge + jump
        return float(np.linalg.norm(jump * units))

    def _drop_spoilt(self) -> None:
        """What was judged twice and is spoilt is no measure for others, nor what is long past."""
        odd = self.kept[-2].told is NOT_PARKED
        self.odd_run = self.odd_run + 1 if odd else 0
        if self.odd_run >= STAYS:
            self._begin_anew()
        good = [one for one in self.kept[:-1] if one.told in (None, MOVED)]
        self.kept = [*good, self.kept[-1]][-KEPT:]

    def _begin_anew(self) -> None:
        """Only the last frame counts from here on."""
        self.odd_run, self.since = 0, ANEW
        self.kept = self.kept[-1:]
        self.kept[0].told = None
