"""A short cold job in the making, its clock, and the proof that it does no harm.

In: moves, dwells and a trigger's lines. Out: Trial: the text, what it does, and a step for each
press of the trigger with the second at which it comes.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from capturehook.catalog import FIRMWARES, TRIGGERS
from capturehook.catalog.triggers.button_press import press_points
from capturehook.catalog.triggers.own_lines import harm_of
from capturehook.errors import CaptureHookError, ProofError
from capturehook.model.block import BlockLine, Role
from capturehook.model.numbers import fixed
from capturehook.model.profile import Profile
from capturehook.physics.trapezoid import trapezoid_seconds
from capturehook.read.moves import read_moves
from capturehook.read.source import open_source
from capturehook.rig.advice import FIRST, HEATERS, PINCH, UNATTENDED, Caution

CAUTIONS = (FIRST, PINCH, HEATERS, UNATTENDED)
BEFORE = (
    "Heaters off and cold, filament out, bed empty, camera on single frames.",
    "Home by the printer's own menu first: this job does not home.",
    "Raise Z by hand above the height told below; one hand at the power switch.",
)
ALLOWED_CODES = frozenset({"G0", "G1", "G4", "G21", "G90", "M400", "M117"})
MOST_MINUTES = 120.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialStep:
    """One press: ``t_s`` counts from the start of the job, ``value`` is what is tried."""

    part: str
    number: int
    t_s: float
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """A job to print cold, and what it tells of itself."""

    kind: str
    text: str
    says: tuple[str, ...]
    steps: tuple[TrialStep, ...]
    seconds: float
    about: dict[str, Any] = field(default_factory=dict)
    cautions: tuple[Caution, ...] = CAUTIONS

    def record(self) -> dict[str, Any]:
        """The side file that `trial read` needs."""
        return {
            "schema": 1,
            "trial": self.kind,
            "about": self.about,
            "steps": [asdict(step) for step in self.steps],
        }


class Program:
    """Lines of a trial, with the place and the second they come to."""

    def __init__(self, profile: Profile, z_mm: float) -> None:
        machine = profile.machine
        low_mm, high_mm = machine.z_mm
        if not low_mm < z_mm <= high_mm:
            raise CaptureHookError(
                "z_mm",
                f"{z_mm:g} is not within the machine's {low_mm:g} to {high_mm:g} mm",
                "Give a height at which head and switch are clear of everything",
            )
        self.profile, self.z_mm, self.lowest_mm = profile, z_mm, z_mm
        self.firmware = FIRMWARES[machine.firmware]
        self.lines: list[str] = ["G21", "G90"]
        self.seconds = 0.0
        self.steps: list[TrialStep] = []
        self.place = {"X": profile.park.x_mm, "Y": profile.park.y_mm, "Z": z_mm}
        self.move({"Z": z_mm}, profile.park.hop_mm_min)
        self.move({"X": self.place["X"], "Y": self.place["Y"]}, profile.park.travel_mm_min)

    def move(self, to: dict[str, float], feed_mm_min: float) -> None:
        """A straight move to machine positions in mm, from rest to rest."""
        words = " ".join(f"{axis}{fixed(mm)}" for axis, mm in to.items())
        self.lines.append(f"G1 {words} F{fixed(feed_mm_min)}")
        length_mm = math.hypot(*(mm - self.place[axis] for axis, mm in to.items()))
        self.place |= to
        self.lowest_mm = min(self.lowest_mm, self.place["Z"])
        if length_mm > 0:
            self.seconds += move_seconds(length_mm, feed_mm_min, self.profile)

    def wait(self) -> None:
        self.lines += self.firmware.wait()

    def dwell(self, ms: float) -> None:
        self.lines += self.firmware.dwell(round(ms))
        self.seconds += round(ms) / 1000

    def comment(self, text: str) -> None:
        self.lines.append(f"; {text}")

    def show(self, text: str) -> None:
        """On the display, where the family has a command for it."""
        if "M117" in self.firmware.own_commands:
            self.lines.append(f"M117 {text}")

    def mark(self, part: str, value: float) -> None:
        """The camera is told to fire here."""
        step = TrialStep(part=part, number=len(self.steps) + 1, t_s=self.seconds, value=value)
        self.steps.append(step)

    def add(self, line: BlockLine) -> None:
        """A line of a block or a trigger; a move is written in machine positions."""
        if line.text:
            self.lines.append(line.text)
            self.seconds += line.dwell_s
            return
        pairs = (("X", line.x_mm), ("Y", line.y_mm))
        to = {axis: mm for axis, mm in pairs if mm is not None}
        if to:
            self.move(to, line.feed_mm_min)

    def press(
        self,
        part: str,
        value: float,
        *,
        hold_ms: int | None = None,
        at: dict[str, float] | None = None,
        within: Callable[[], None] | None = None,
    ) -> None:
        """The profile's trigger, with another hold, or with ``within`` in place of the hold.

        ``at`` overrides where the trigger's own moves go: the part tried stands elsewhere.
        """
        fire = TRIGGERS[self.profile.trigger.by].fire(self.firmware, self.profile)
        told = False
        for line in fire.lines:
            if at is not None:
                line = _held_at(line, at)
            if line.role is Role.HOLD and not told:
                told = True
                self.mark(part, value)
                if within is not None:
                    within()
                else:
                    self.dwell(line.dwell_s * 1000 if hold_ms is None else hold_ms)
                continue
            self.add(line)
        if not told:
            self.mark(part, value)
            if within is not None:
                within()

    def press_at(
        self, part: str, place: float, axis: str, within: Callable[[], None] | None = None
    ) -> None:
        """The trigger while the part stands at ``place`` on ``axis``."""
        self.press(part, place, at={axis: place}, within=within)

    def finish(self, kind: str, says: Iterable[str], about: dict[str, Any]) -> Trial:
        """The whole job, proved."""
        text = "\n".join([f"; capturehook trial {kind}: cold, no filament", *self.lines]) + "\n"
        trial = Trial(
            kind=kind,
            text=text,
            says=(*BEFORE, f"Z {self._heights()}.", *says),
            steps=tuple(self.steps),
            seconds=self.seconds,
            about=about,
        )
        prove_trial(trial, self.profile)
        return trial

    def _heights(self) -> str:
        if self.lowest_mm == self.z_mm:
            return f"{fixed(self.z_mm)} mm throughout"
        return f"{fixed(self.lowest_mm)} to {fixed(self.z_mm)} mm"


def _held_at(line: BlockLine, at: dict[str, float]) -> BlockLine:
    """A trigger's move without the axis that stands elsewhere."""
    if line.text:
        return line
    return line._replace(
        x_mm=None if "X" in at else line.x_mm, y_mm=None if "Y" in at else line.y_mm
    )


def move_seconds(length_mm: float, feed_mm_min: float, profile: Profile) -> float:
    """Time of a straight move from rest to rest with the machine's travel acceleration."""
    machine = profile.machine
    accel = machine.travel_accel_mm_s2 or machine.accel_mm_s2
    top = min(feed_mm_min / 60, math.sqrt(accel * length_mm))
    return float(trapezoid_seconds(length_mm, top, accel))


def prove_trial(trial: Trial, profile: Profile) -> None:
    """Refuse a trial that heats, feeds filament, leaves the machine or meets the switch's stop.

    The text is read as any job is, by the profile's family, from nothing known.

    Raises
    ------
    ProofError
        What is wrong, with its line.
    """
    own = set(profile.trigger.lines) if profile.trigger.by == "lines" else set()
    firmware = FIRMWARES[profile.machine.firmware]
    fired = {line.text for line in _fire_lines(profile)}
    first, second = re.findall(r"^G1 .*", trial.text, re.M)[:2]
    if not (re.fullmatch(r"G1 Z\S+ F\S+", first) and re.match(r"G1 X\S+ Y", second)):
        raise _fault(1, "does not begin with its height, then its place")
    for number, line in enumerate(trial.text.splitlines(), 1):
        code = line.split(";")[0].split(" ")[0]
        if not code or line in own or line in fired:
            continue
        if code not in ALLOWED_CODES or (harm_of(code) and code not in ("G0", "G1", "G90", "G21")):
            raise _fault(number, f"{line!r} is no move and no wait")
        if code != "M117" and "E" in line.split(";")[0]:
            raise _fault(number, f"{line!r} feeds filament")
    job = read_moves(
        open_source(trial.text.encode("ascii"), trial.kind), firmware, extruder_axis="E"
    )
    _prove_places(job.table, profile)
    if trial.seconds > MOST_MINUTES * 60:
        raise CaptureHookError(
            trial.kind,
            f"takes {trial.seconds / 60:.0f} minutes",
            f"Try fewer steps or fewer times; at most {MOST_MINUTES:.0f} minutes are written",
        )


def _fire_lines(profile: Profile) -> tuple[BlockLine, ...]:
    firmware = FIRMWARES[profile.machine.firmware]
    lines = TRIGGERS[profile.trigger.by].fire(firmware, profile).lines
    return tuple(line for line in lines if line.text)


def _prove_places(table: Any, profile: Profile) -> None:
    machine = profile.machine
    ranges = {"x": machine.x_mm, "y": machine.y_mm, "z": machine.z_mm}
    for axis, (low_mm, high_mm) in ranges.items():
        ends = getattr(table, f"{axis}_mm")
        bad = np.flatnonzero((ends < low_mm - 1e-6) | (ends > high_mm + 1e-6))
        bad = bad[(bad > 0) | (axis == "z")]  # the first move is the height alone
        if len(bad):
            at = int(bad[0])
            raise _fault(
                int(table.line_index[at]) + 1,
                f"goes to {axis.upper()} {ends[at]:g}, outside {low_mm:g} to {high_mm:g}",
            )
    is_in = machine.reaches(table.x_mm[1:], table.y_mm[1:])
    if not np.all(is_in):
        raise _fault(int(table.line_index[1:][np.argmin(is_in)]) + 1, "goes outside the round bed")
    went = {axis: getattr(table, f"{axis}_mm") - getattr(table, f"{axis}0_mm") for axis in ranges}
    length_mm = np.sqrt(sum(mm**2 for mm in went.values()))
    for axis, mm in went.items():
        fast = table.feed_mm_min * np.abs(mm) > length_mm * getattr(machine.max_mm_min, axis) + 1e-3
        if np.any(fast[2:]):
            raise _fault(int(table.line_index[2:][fast[2:]][0]) + 1, "is faster than the machine")
    if np.any(table.e_step_mm != 0):
        raise _fault(1, "feeds filament")
    if profile.trigger.by != "button":
        return
    points = press_points(profile)
    along = points.sign * getattr(table, f"{points.axis}_mm")
    limit = points.sign * points.stop_mm
    bad = np.flatnonzero(along[1:] >= limit - profile.trigger.repeat_mm)
    if len(bad):
        raise _fault(
            int(table.line_index[int(bad[0]) + 1]) + 1,
            f"would press the switch to its stop at {points.axis.upper()} {points.stop_mm:g}",
        )


def _fault(number: int, found: str) -> ProofError:
    return ProofError(f"trial, line {number}", found, "This is a fault of capturehook; report it")
