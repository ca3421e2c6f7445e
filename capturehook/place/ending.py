"""Where the block of the finished part may leave the head: what follows it decides.

Where only end code follows, nothing is gained by coming down on the finished part again: the
head stays up, and where no later line counts on X and Y, it stays at the park point too.
What is not plain is not believed: the block then ends where it began. See
docs/explain/pose_block.md#the-finished-part
"""

from __future__ import annotations

from collections.abc import Iterator
from math import isnan

import numpy as np

from capturehook.catalog import FIRMWARES
from capturehook.catalog.triggers.button_press import trigger_path
from capturehook.model.effects import Command
from capturehook.model.moves import FW_UNRETRACT
from capturehook.model.route import Route
from capturehook.model.state import State
from capturehook.model.stop import NEVER, Ending, Stop
from capturehook.place.head import SAME_MM, Scene
from capturehook.place.height_map import Peak
from capturehook.read.job import Job
from capturehook.read.words import read_commands, split_comment

FED_MM = 1e-6
PLAIN = frozenset("G4 G20 G21 M82 M83".split())
MOTORS_OFF = frozenset("M18 M84".split())
Place = tuple[float, float, float]


def find_ending(job: Job, stop: Stop, state: State, route: Route, scene: Scene) -> Ending | None:
    """Where the head may stay; None where the block must end where it began."""
    if not stop.finished or _feeds_later(job, stop.line_index):
        return None
    up = max(0.0, route.hop_z_mm - state.z_mm)
    park_x, park_y = (float(place) for place in route.points[-1][:2])
    commands = list(_commands_from(job, stop.line_index))
    ways = [(park_x - state.x_mm, park_y - state.y_mm, up)] if not trigger_path(job.profile) else []
    for offset in (*ways, (0.0, 0.0, up)):
        at_park = offset[:2] != (0.0, 0.0)
        if at_park or up > 0:
            stated = _End(job, state, scene, offset).follow(commands)
            if stated is not None:
                return Ending(at_park=at_park, offset_mm=offset, stated_line=stated)
    return None


def _feeds_later(job: Job, line_index: int) -> bool:
    """Filament goes forward behind a line, if only as far as it was retracted there."""
    moves = job.moves
    fed = np.cumsum(moves.e_step_mm[int(moves.line_index.searchsorted(line_index)) :])
    events = moves.event_kind[np.searchsorted(moves.event_line_index, line_index) :]
    return not bool((fed <= FED_MM).all()) or bool((events == FW_UNRETRACT).any())


def _commands_from(job: Job, line_index: int) -> Iterator[tuple[int, Command]]:
    several = FIRMWARES[job.profile.machine.firmware].several_commands
    for index in range(line_index, job.source.line_count):
        line = job.source.line(index)
        if line[:1] not in (b";", b"\n", b"\r"):
            found = read_commands(line.rstrip(b"\r\n"), several=several)
            text = split_comment(line.decode("latin-1"))[0].strip()
            if not found and text not in ("", "%"):
                found = (Command(code=text, words=()),)  # no command that we know
            for command in found:
                yield index, command


class _End:
    """The end code with the head elsewhere than the job has it, by an offset for each axis."""

    def __init__(self, job: Job, state: State, scene: Scene, offset_mm: Place) -> None:
        self.job, self.scene, self.offset = job, scene, offset_mm
        self.firmware = FIRMWARES[job.profile.machine.firmware]
        self.absolute = state.modes.absolute
        self.here: Place = (state.x_mm, state.y_mm, state.z_mm)
        self.stated = [NEVER if one else 0 for one in offset_mm]
        self.hop_z_mm = state.z_mm + offset_mm[2]
        self.motors_off = False

    def follow(self, commands: list[tuple[int, Command]]) -> tuple[int, int, int] | None:
        """For each axis the line that states it; None where something counts on the place."""
        for line, command in commands:
            if NEVER not in self.stated or command.code in self.firmware.effects.silent_end:
                break
            if not self._allows(line, command):
                return None
        x, y, z = self.stated
        return x, y, z

    def _allows(self, line: int, command: Command) -> bool:
        code = command.code
        if code in ("G90", "G91"):
            self.absolute = code == "G90"
        elif code in MOTORS_OFF:
            self.motors_off = True
        elif code in ("G0", "G1", ""):
            return not self.motors_off and self._goes(line, command)
        elif code == "G28":
            return not self.motors_off and self._homes(line, command)
        else:
            return self._is_harmless(command)
        return True

    def _is_harmless(self, command: Command) -> bool:
        code = command.code
        if code == "G92":
            return bool(command.words) and set(command.letters) <= {self.job.read.e_letter}
        if code == "G10":
            return self.firmware.g10_retracts(command.letters)
        return code in PLAIN or code in self.firmware.effects.harmless

    def _ours(self, place: Place) -> Place:
        x, y, z = (
            at + (off if stated == NEVER else 0.0)
            for at, off, stated in zip(place, self.offset, self.stated, strict=True)
        )
        return x, y, z

    def _goes(self, line: int, command: Command) -> bool:
        """One move, seen from where the head really is."""
        moves, letters = self.job.moves, {*command.letters}
        if not {*"XYZ"} & letters:
            return letters <= {"F", self.job.read.e_letter}
        row, after = moves.line_index.searchsorted((line, line + 1)).tolist()
        if after != row + 1 or not letters <= {*"XYZF", self.job.read.e_letter}:
            return False
        end: Place = (float(moves.x_mm[row]), float(moves.y_mm[row]), float(moves.z_mm[row]))
        if isnan(sum(end)):
            return False
        start, is_elsewhere = self._ours(self.here), self._is_elsewhere()
        for axis, letter in enumerate("XYZ"):
            if not command.has(letter) or self.stated[axis] != NEVER:
                continue
            if self.absolute:
                self.stated[axis] = line
            elif letter != "Z" or end[2] < self.here[2]:
                return False  # a step from elsewhere
        self.here = end
        return self._is_clear(start, self._ours(end), is_elsewhere)

    def _homes(self, line: int, command: Command) -> bool:
        """Home may be at either end of an axis, and one axis may go before the other."""
        if self.firmware.has_stored_points:
            return False
        axes = [k for k, letter in enumerate("XYZ") if command.has(letter)] or [0, 1, 2]
        if 2 in axes and self._is_elsewhere() and not {0, 1} <= {*axes}:
            return False  # Z would home where the job does not
        start, ranges = self._ours(self.here), (self.scene.machine.x_mm, self.scene.machine.y_mm)
        reached = [start]
        for axis in (axis for axis in axes if axis < 2):
            for place in tuple(reached):
                for end in ranges[axis]:
                    there = (end, place[1], place[2]) if axis == 0 else (place[0], end, place[2])
                    if not self._is_clear(place, there, self._is_elsewhere()):
                        return False
                    reached.append(there)
        for axis in axes:
            if self.stated[axis] == NEVER:
                self.stated[axis] = line
        home = [0.0 if axis in axes else self.here[axis] for axis in range(3)]
        self.here = (home[0], home[1], home[2])
        return True

    def _is_elsewhere(self) -> bool:
        return NEVER in self.stated[:2]

    def _is_clear(self, start: Place, end: Place, is_elsewhere: bool) -> bool:
        """Within the machine, and past all that stands in the way at any height of the move.

        Over the job's own X and Y the head is higher than the job has it, so that only what
        hangs above is in the way; elsewhere it must not be lower than its hop.
        """
        low, high = sorted((start[2], end[2]))
        machine = self.scene.machine
        if high > machine.z_mm[1] + SAME_MM:
            return False
        if machine.round and is_elsewhere and not machine.reaches(*end[:2]):
            return False
        if is_elsewhere and low < self.hop_z_mm - SAME_MM:
            return False
        shuts = self.scene.shuts(start[:2], end[:2], high if not is_elsewhere else low)
        if not is_elsewhere:
            shuts = [one for one in shuts if not isinstance(one.thing, Peak)]
        return not any(s.low_mm + SAME_MM < high and low < s.high_mm - SAME_MM for s in shuts)
