"""Stage 5: the machine's state at a line + one planned pose -> the lines of one pose block.

The block goes away and comes back; whatever it switches it puts back, in the order that
every firmware reads alike (docs/gcode_facts.md#order-of-modes).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from capturehook.catalog import FIRMWARES, TRIGGERS
from capturehook.errors import PlanError, Where
from capturehook.model.contracts import Fire, Firmware
from capturehook.model.numbers import exact, fixed
from capturehook.model.profile import Profile
from capturehook.model.state import Modes, State
from capturehook.place.shutter import hold_ms, settle_ms
from capturehook.read.modal import switch
from capturehook.read.words import Command

Point = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Kit:
    """All that is the same in every block of one job."""

    profile: Profile
    firmware: Firmware
    e_letter: str
    filament_per_unit: float
    use_fw_retract: bool
    settle_ms: int


def make_kit(
    profile: Profile, *, e_letter: str, filament_per_unit: float, job_fw_retract: bool
) -> Kit:
    """What the blocks of one job share.

    Raises
    ------
    PlanError
        The profile asks for what this firmware has not got.
    """
    firmware = FIRMWARES[profile.machine.firmware]
    use_fw = job_fw_retract or profile.retract.by == "firmware"
    if use_fw and not firmware.has_firmware_retract:
        raise PlanError(
            Where("[retract] by"),
            f"{firmware.name} has no retraction of its own",
            'Use by = "moves"',
        )
    return Kit(profile, firmware, e_letter, filament_per_unit, use_fw, settle_ms(profile))


def pose_block(
    kit: Kit,
    state: State,
    points: Sequence[Point],
    *,
    prime: bool = True,
    wipe: Sequence[tuple[float, float]] = (),
) -> list[str]:
    """The lines of one block, without its fence.

    Parameters
    ----------
    state : where the machine is; X, Y and Z must be known
    points : mm, machine frame: from above the nozzle (after the hop) to the park point
    prime : push [retract] extra_prime_mm on return
    wipe : mm, X and Y back along what was just printed, before the hop; ``points`` then
        begin above its last

    Raises
    ------
    PlanError
        The block cannot be written so that the state is put back.
    """
    writer = _Writer(kit, state)
    lines = writer.enter()
    draw_back, push = _filament(writer, prime)
    lines += draw_back
    lines += [writer.level((x, y, 0.0)) for x, y in wipe]
    lines += writer.go(points)
    lines += kit.firmware.wait()
    lines += kit.firmware.dwell(kit.settle_ms)
    fire = fire_lines(kit, points[-1][2])
    lines += [writer.own(line) for line in fire.lines] if fire.moves else fire.lines
    lines += kit.firmware.dwell(hold_ms(kit.profile, fire.held_ms))
    lines += writer.come_back(points if not wipe else [points[0], *points])
    lines += push
    lines += writer.leave()
    return lines


def fire_lines(kit: Kit, z_mm: float) -> Fire:
    """What the profile's trigger sends at the park point."""
    return TRIGGERS[kit.profile.trigger.by].fire(kit.firmware, kit.profile, z_mm)


class _Writer:
    """Writes moves in the job's own numbers: its units, its shifted zero, its modes."""

    def __init__(self, kit: Kit, state: State) -> None:
        self.kit, self.state = kit, state
        self.per_unit = state.modes.filament_per_unit(kit.filament_per_unit)
        self.unit = state.modes.unit_mm
        self.e_unit = state.modes.e_unit(kit.firmware)
        self.inside: Modes = state.modes
        self.feed: str | None = None

    def enter(self) -> list[str]:
        """Modes for the block, only where the job's differ."""
        if self.state.modes.absolute:
            return []
        codes = ["G90"]
        if self.kit.firmware.name != "rs274":
            codes.append("M83")
        return self._switch(codes)

    def leave(self) -> list[str]:
        """Modes and feed as they were."""
        lines, wanted = [], self.state.modes
        if not wanted.absolute:
            lines += self._switch(["G91"])
            if self.inside.m82 != wanted.m82:  # on rs274 only where the job itself says M82
                lines += self._switch(["M83" if wanted.m82 is False else "M82"])
        if self.state.feed_mm_min > 0 and self.feed is not None:
            lines.append(f"G1 F{exact(self.state.feed_mm_min / self.unit)}")
        return lines

    def _switch(self, codes: list[str]) -> list[str]:
        for code in codes:
            self.inside = switch(self.inside, Command(code, ()), self.kit.firmware)
        return codes

    def _f(self, feed_mm_min: float) -> str:
        """The F word, only where it changes."""
        text = fixed(feed_mm_min / self.unit, 1)
        if text == self.feed:
            return ""
        self.feed = text
        return f" F{text}"

    def _axis(self, letter: str, mm: float) -> str:
        index = "XYZ".index(letter)
        return f"{letter}{exact((mm - self.state.shift_mm[index]) / self.unit)}"

    def go(self, points: Sequence[Point]) -> list[str]:
        """Up to the first point's height, then from point to point to the park."""
        park = self.kit.profile.park
        lines = []
        if points[0][2] > self.state.z_mm + 1e-9:
            lines.append(f"G1 {self._axis('Z', points[0][2])}{self._f(park.hop_mm_min)}")
        return lines + [self.level(point) for point in points[1:]]

    def come_back(self, points: Sequence[Point]) -> list[str]:
        park = self.kit.profile.park
        lines = [self.level(point) for point in reversed(points[1:-1])]
        lines.append(self.level((self.state.x_mm, self.state.y_mm, 0.0)))
        if points[0][2] > self.state.z_mm + 1e-9:
            lines.append(f"G1 {self._axis('Z', self.state.z_mm)}{self._f(park.hop_mm_min)}")
        return lines

    def level(self, point: Point) -> str:
        feed = self._f(self.kit.profile.park.travel_mm_min)
        return f"G1 {self._axis('X', point[0])} {self._axis('Y', point[1])}{feed}"

    def own(self, line: str) -> str:
        """A trigger's own move, told in mm of the machine, in the job's numbers."""
        if not line.startswith("G1 "):
            return line
        self.feed = None
        words = []
        for word in line.split()[1:]:
            letter, number = word[0], float(word[1:])
            words.append(
                self._axis(letter, number) if letter in "XY" else f"F{exact(number / self.unit)}"
            )
        return " ".join(("G1", *words))

    def extrude(self, to_e: float, step: float) -> str:
        """A move of filament alone: ``step`` or to ``to_e``, both in the job's E units.

        Its feed counts mm of filament even where E counts mm3: docs/gcode_facts.md#marlin
        """
        kit = self.kit
        e_absolute = self.inside.e_absolute(kit.firmware)
        number = to_e if e_absolute else step
        feed = self._f(kit.profile.retract.feed_mm_min)
        return f"G1 {kit.e_letter}{exact(number / self.e_unit)}{feed}"


def _filament(writer: _Writer, prime: bool) -> tuple[list[str], list[str]]:
    """Lines that draw back what the job has not, and lines that push it (and a prime) again."""
    kit, state = writer.kit, writer.state
    retract = kit.profile.retract
    prime_mm = retract.extra_prime_mm if prime else 0.0
    if state.fw_retracted or (kit.use_fw_retract and state.deficit_mm < 0.01):
        drawn = [] if state.fw_retracted else kit.firmware.retract()
        pushed = [] if state.fw_retracted else kit.firmware.unretract()
        return drawn, [*pushed, *_prime(writer, prime_mm)]
    stroke = max(0.0, retract.length_mm - state.deficit_mm)
    if stroke < 0.01:
        return [], _prime(writer, prime_mm)
    step = round(stroke / writer.per_unit, 5)
    drawn = [writer.extrude(state.e_mm - step, -step)]
    writer_feed, writer.feed = writer.feed, None
    pushed = [writer.extrude(state.e_mm, step)]
    writer.feed = writer_feed
    return drawn, [*pushed, *_prime(writer, prime_mm)]


def _prime(writer: _Writer, prime_mm: float) -> list[str]:
    """Push a little more than was drawn back, and put the number for E back."""
    if prime_mm <= 0:
        return []
    kit, state = writer.kit, writer.state
    if kit.firmware.name == "rs274":
        raise PlanError(
            Where("[retract] extra_prime_mm"),
            "rs274 cannot put the number for the extruder back after it",
            "Set extra_prime_mm = 0",
        )
    step = round(prime_mm / writer.per_unit, 5)
    saved, writer.feed = writer.feed, None
    lines = [writer.extrude(state.e_mm + step, step)]
    writer.feed = saved
    if state.modes.m82 is not False or writer.inside.e_absolute(kit.firmware):
        lines.append(f"G92 {kit.e_letter}{exact(state.e_mm / writer.e_unit)}")
    return lines
