"""The slow reader with the commands that keep, give back and shift the state of a machine.

Written from the firmware families' own sources (facts restated), never from the project's
reader: Klipper `gcode_move.py` (saved states, offsets) and `kinematics/extruder.py` (activation);
RepRapFirmware `GCodeMachineState.cpp` (M120), `GCodes.cpp` (E after relative strokes) and
`GCodes3.cpp` (workplaces); Smoothieware `Robot.cpp` (push_state, wcs); Repetier `Printer.cpp`
(M401, M402; E is 0 after a relative stroke); LinuxCNC `m-code.adoc` (M70, M72). A name that no
family defines does nothing here, as on a machine without that macro.
"""

from __future__ import annotations

import re
from typing import Any

from tests.read.slow import Interpreter, Move, split_lines

WORKPLACE = {54.0: 1, 55.0: 2, 56.0: 3, 57.0: 4, 58.0: 5, 59.0: 6, 59.1: 7, 59.2: 8, 59.3: 9}


class StateKeeper(Interpreter):
    """One machine of one family, with its memory."""

    def __init__(self, firmware: str, extruder_axis: str = "E", **options: Any) -> None:
        super().__init__(firmware, extruder_axis, **options)
        self.saved: dict[str, dict[str, Any]] = {}
        self.stack: list[dict[str, Any]] = []
        self.lasting = [0.0, 0.0, 0.0]
        """Offset of SET_GCODE_OFFSET, part of ``offset``."""
        self.origins = {1: [0.0, 0.0, 0.0]}
        self.workplace = 1
        self.ended = False
        self.active = "extruder"

    def feed(self, line: bytes | str) -> None:
        if not self.ended:
            super().feed(line)

    # -- Klipper's names --------------------------------------------------------------------

    def _is_extended(self, text: str) -> bool:
        if not super()._is_extended(text):
            return False
        if self.firmware == "klipper":
            name, *pairs = self._without_comments(text).split()
            options = {k.upper(): v for k, _, v in (one.partition("=") for one in pairs)}
            do = getattr(self, f"_do_{name.lower()}", None)
            if do is not None:
                do(options)
        return True

    def _do_save_gcode_state(self, options: dict[str, str]) -> None:
        self.saved[options.get("NAME", "default")] = {
            "absolute": self.absolute,
            "e_flag": self.e_flag,
            "offset": list(self.offset),
            "lasting": list(self.lasting),
            "feed": self.feed_mm_min,
            "place": list(self.physical),
            "e": self.e_mm,
            "flow": dict(self.flow),
        }

    def _do_restore_gcode_state(self, options: dict[str, str]) -> None:
        state = self.saved.get(options.get("NAME", "default"))
        if state is None:
            self.faults.append((self.line_no, "unknown state: the print ends"))
            self.ended = True
            return
        self.absolute, self.e_flag = state["absolute"], state["e_flag"]
        self.offset, self.lasting = list(state["offset"]), list(state["lasting"])
        self.feed_mm_min, self.e_mm = state["feed"], state["e"]
        self.flow = dict(state["flow"])
        if float(options.get("MOVE", "0")):
            self.physical = list(state["place"])

    def _do_set_gcode_offset(self, options: dict[str, str]) -> None:
        for k, axis in enumerate("XYZ"):
            if axis in options:
                change = float(options[axis]) - self.lasting[k]
            elif f"{axis}_ADJUST" in options:
                change = float(options[f"{axis}_ADJUST"])
            else:
                continue
            self.lasting[k] += change
            self.offset[k] += change
            if float(options.get("MOVE", "0")):
                self.physical[k] += change

    def _do_activate_extruder(self, options: dict[str, str]) -> None:
        name = options.get("EXTRUDER", "extruder")
        if name != self.active:  # else "already active", and nothing is done
            self.active, self.e_mm, self.flow = name, 0.0, {}

    def _home(self, args: dict[str, float | None]) -> None:
        super()._home(args)
        for k, axis in enumerate("XYZ"):
            if self.firmware == "klipper" and (axis in args or not set("XYZ") & set(args)):
                self.offset[k] = self.lasting[k]

    # -- stacks, places, workplaces -----------------------------------------------------------

    def _m(self, code: int, args: dict[str, float | None]) -> None:
        super()._m(code, args)
        family = self.firmware
        if code == 120 and family in ("reprapfirmware", "smoothie"):
            self.stack.append(self._kept())
            if family == "reprapfirmware":
                self.area_mm2 = 0.0
        elif code == 121 and family in ("reprapfirmware", "smoothie") and self.stack:
            self._give_back(self.stack.pop())
        elif code == 70 and family == "rs274":
            self.stack = [self._kept()]
        elif code == 72 and family == "rs274" and self.stack:
            self._give_back(self.stack[-1])
        elif code == 401 and family == "repetier":
            self.saved["M401"] = {"place": list(self.physical), "feed": self.feed_mm_min}
        elif code == 402 and family == "repetier" and "M401" in self.saved:
            named = [k for k, axis in enumerate("XYZ") if axis in args] or [0, 1, 2]
            for k in named:
                self.physical[k] = self.saved["M401"]["place"][k]
            self.feed_mm_min = self.saved["M401"]["feed"]
        elif (code in (2, 30) and family == "rs274") or (
            code in (0, 1, 2) and family == "reprapfirmware"
        ):
            self.ended = True

    def _kept(self) -> dict[str, Any]:
        names = ["feed_mm_min", "absolute", "e_flag", "inches"]
        names += {"reprapfirmware": ["plane", "area_mm2"], "smoothie": ["seek_mm_min"]}.get(
            self.firmware, ["plane", "arc_centres_absolute"]
        )
        return {**{name: getattr(self, name) for name in names}, "workplace": self.workplace}

    def _give_back(self, kept: dict[str, Any]) -> None:
        workplace = kept["workplace"]
        for name, value in kept.items():
            if name != "workplace":
                setattr(self, name, value)
        if self.firmware != "reprapfirmware":
            self._use(workplace)

    def _g(self, code: float, args: dict[str, float | None], native: bool) -> None:
        known = self.firmware in ("reprapfirmware", "smoothie", "rs274")
        if code in WORKPLACE and known:
            self._use(WORKPLACE[code])
        elif code == 10 and args.get("L") in (2.0, 20.0) and known:
            self._set_origin(args)
        else:
            super()._g(code, args, native)

    def _use(self, number: int) -> None:
        here, there = self._origin(self.workplace), self._origin(number)
        self.offset = [o - a + b for o, a, b in zip(self.offset, here, there, strict=True)]
        self.workplace = number

    def _origin(self, number: int) -> list[float]:
        return self.origins.setdefault(number, [0.0, 0.0, 0.0])

    def _set_origin(self, args: dict[str, float | None]) -> None:
        number = int(args.get("P") or 0) or self.workplace
        origin = self._origin(number)
        for k, axis in enumerate("XYZ"):
            if args.get(axis) is None:
                continue
            value = self._length(args[axis] or 0.0)
            if args.get("L") == 20.0:
                value = self.physical[k] - value
            if number == self.workplace:
                self.offset[k] += value - origin[k]
            origin[k] = value

    # -- the number for E -----------------------------------------------------------------------

    def _feed_filament(self, word: float | None, *, alone: bool = False) -> float:
        before, relative = self.e_mm, not self.e_absolute
        length = super()._feed_filament(word, alone=alone)
        if relative and word is not None and self.firmware == "reprapfirmware":
            self.e_mm = before
        elif relative and word is not None and self.firmware == "repetier":
            self.e_mm = 0.0
        return length


def laid_by(data: bytes, firmware: str, *, runs_bodies: bool = True) -> list[Move]:
    """Every stroke that lays plastic: filament goes forward while X or Y moves.

    ``runs_bodies`` False leaves out the indented lines under RepRapFirmware's conditions.
    """
    axis = "A" if firmware == "rs274" else "E"
    machine = StateKeeper(firmware, axis)
    skips = False
    for line in split_lines(data):
        skips = skips and line[:1] in (b" ", b"\t")
        if re.match(rb"(if|elif|else)\b", line) and firmware == "reprapfirmware":
            skips = True
            continue
        if not (skips and not runs_bodies):
            machine.feed(line)
    return [
        move for move in machine.moves if move.e_step_mm > 1e-9 and move.start[:2] != move.end[:2]
    ]
