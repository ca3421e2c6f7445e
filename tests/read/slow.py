"""A slow, plain, line-by-line G-code interpreter: the second witness for every fast one.

Written from the firmware families' own documents and from NIST RS-274/NGC, never from the
project's reader. One family per instance; one line per call; no cleverness.

Sources, by family (facts restated):
- marlin: marlinfw.org pages G0-G1, G2-G3, G4, G10-G11, G20-G21, G90-G92, M82, M83, M200, M204,
  M207; parser.h (the unit factor of E is the linear one, cubed while E is volumetric).
- klipper: G-Codes.md and gcode_move.py (E is absolute only while G90 and M82 both hold;
  G20 is an error; a bare G92 zeroes all axes), gcode_arcs.py (R is an error, G91 is an error).
- reprapfirmware: GCodes.cpp and GCodes2.cpp (G90/G91 never touch E; G10 with parameters is no
  retraction; E follows the units).
- smoothie: Robot.cpp (G90/G91 switch E too; E is not scaled by G20; G0 and G1 keep an F each;
  a bare G92 clears the offsets and zeroes E), GcodeDispatch.cpp (modal motion).
- repetier: Commands.cpp, Printer.cpp (E relative while G91 or M83).
- rs274: NIST RS274NGC Interpreter version 3, sections 3.5 (G codes), 3.8 (order of execution).
  The extruder is rotary axis A; rotary words are not scaled by G20 (sections 2.1.2.5, 3.5.7).
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from typing import NamedTuple

FIRMWARES = ("marlin", "klipper", "reprapfirmware", "smoothie", "repetier", "rs274")

FREE_TEXT = {0, 1, 16, 20, 23, 28, 29, 30, 32, 36, 37, 117, 118, 291, 550, 928}
LIMIT_CODES = {201, 202, 203, 204, 205, 566, 593, 900}
NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)"
WORD = re.compile(rf"([A-Z])\s*({NUMBER})?")
XYZ = "XYZ"
PLANES = {17: (0, 1, 2), 18: (2, 0, 1), 19: (1, 2, 0)}


class Arc(NamedTuple):
    """How a G2/G3 goes round: centre (physical mm, on the two plane axes), swept angle."""

    plane: int
    centre: tuple[float, float]
    turn_rad: float
    length_mm: float


class Move(NamedTuple):
    """One motion line. Positions are physical millimetres."""

    line_no: int
    start: tuple[float, float, float]
    end: tuple[float, float, float]
    e_step_mm: float
    feed_mm_min: float
    rapid: bool
    arc: Arc | None


class Snapshot(NamedTuple):
    """Everything a block must leave as it found it."""

    logical: tuple[float, float, float]
    physical: tuple[float, float, float]
    e_mm: float
    fed_mm: float
    deficit_mm: float
    fw_retracted: bool
    feed_mm_min: float
    seek_mm_min: float
    absolute: bool
    e_flag: bool
    e_absolute: bool
    inches: bool
    plane: int
    arc_centres_absolute: bool
    tool: int
    fan: tuple[tuple[float, float], ...]
    limits: tuple[tuple[str, str], ...]
    filament_area_mm2: float
    motion: int | None


class Interpreter:
    """One machine of one family, fed line by line."""

    def __init__(
        self,
        firmware: str,
        extruder_axis: str = "E",
        *,
        volumetric: bool = False,
        filament_mm: float = 1.75,
        arc_centres_absolute: bool = False,
        keep_moves: bool = True,
    ) -> None:
        if firmware not in FIRMWARES:
            raise ValueError(firmware)
        self.firmware = firmware
        self.axis_e = extruder_axis
        self.filament_mm = filament_mm
        self.keep_moves = keep_moves
        self.line_no = 0
        self.physical = [0.0, 0.0, 0.0]
        self.offset = [0.0, 0.0, 0.0]  # physical = logical + offset
        self.e_mm = 0.0  # as the job counts it, in its own unit made mm (or mm3)
        self.fed_mm: dict[int, float] = {0: 0.0}
        self.high_mm: dict[int, float] = {0: 0.0}
        self.fw_retracted: dict[int, bool] = {0: False}
        self.fw_length_mm = 3.0
        self.feed_mm_min = 0.0
        self.seek_mm_min = 0.0  # smoothie's own F of G0
        self.absolute = True
        self.e_flag = True  # M82 seen last (or what G90 made of it)
        self.inches = False
        self.plane = 17
        self.arc_centres_absolute = arc_centres_absolute
        self.tool = 0
        self.selected = 0
        self.fan: dict[float, float] = {}
        self.limits: dict[str, str] = {}
        self.area_mm2 = math.pi * filament_mm**2 / 4 if volumetric else 0.0  # 0: E is length
        self.flow: dict[int, float] = {}
        """Factor of M221, by tool where each has its own."""
        self.motion: int | None = None
        self.moves: list[Move] = []
        self.dwells: list[tuple[int, float]] = []
        self.faults: list[tuple[int, str]] = []
        self.homed: list[int] = []

    # -- what is known ---------------------------------------------------------------------

    @property
    def e_absolute(self) -> bool:
        """Whether the next E word is a place, by family."""
        if self.firmware in ("klipper", "repetier"):
            return self.absolute and self.e_flag
        return self.e_flag

    @property
    def deficit_mm(self) -> float:
        """Filament drawn back from its furthest point, of the tool in use."""
        drawn = self.high_mm[self.tool] - self.fed_mm[self.tool]
        return drawn + (self.fw_length_mm if self.fw_retracted[self.tool] else 0.0)

    @property
    def logical(self) -> tuple[float, float, float]:
        x, y, z = (self.physical[k] - self.offset[k] for k in range(3))
        return (x, y, z)

    def state(self) -> Snapshot:
        """All of it, hashable."""
        x, y, z = self.physical
        return Snapshot(
            logical=self.logical,
            physical=(x, y, z),
            e_mm=self.e_mm,
            fed_mm=self.fed_mm[self.tool],
            deficit_mm=self.deficit_mm,
            fw_retracted=self.fw_retracted[self.tool],
            feed_mm_min=self.feed_mm_min,
            seek_mm_min=self.seek_mm_min,
            absolute=self.absolute,
            e_flag=self.e_flag,
            e_absolute=self.e_absolute,
            inches=self.inches,
            plane=self.plane,
            arc_centres_absolute=self.arc_centres_absolute,
            tool=self.tool,
            fan=tuple(sorted(self.fan.items())),
            limits=tuple(sorted(self.limits.items())),
            filament_area_mm2=self.area_mm2,
            motion=self.motion if self.firmware in ("smoothie", "rs274") else None,
        )

    # -- reading ---------------------------------------------------------------------------

    def feed(self, line: bytes | str) -> None:
        """One line, with or without its line end."""
        self.line_no += 1
        text = line.decode("latin-1") if isinstance(line, bytes) else line
        text = text.strip("\r\n")
        if self.line_no == 1:
            for bom in ("\xef\xbb\xbf", "\ufeff"):
                text = text.removeprefix(bom)
        text = text.strip().lstrip("%")
        text = self._without_number(text)
        if not text or text[0] == ";" or (text[0] == "(" and self.firmware == "smoothie"):
            return
        if self._is_free_text(text) or self._is_extended(text):
            return
        text = self._without_comments(text).upper()
        if self.firmware == "rs274":
            self._block(_words(text))
        else:
            self._commands(_words(text))

    def _without_number(self, text: str) -> str:
        """N123 ... *57 -> ... (a checksum only stands on numbered lines)."""
        numbered = re.match(r"[Nn]\s*\d+\s*", text)
        if not numbered:
            return text
        return re.sub(r"\s*\*\s*\d+\s*(;.*)?$", "", text[numbered.end() :])

    @staticmethod
    def _is_free_text(text: str) -> bool:
        code = re.match(r"[Mm]\s*0*(\d+)(?![\d.])", text)
        return bool(code) and int(code.group(1)) in FREE_TEXT

    def _is_extended(self, text: str) -> bool:
        """NAME KEY=VALUE: two letters or more at the start, never motion."""
        name = re.match(r"[A-Za-z_]{2,}\w*", text)
        if not name:
            return False
        key = name.group(0).upper()
        if self.firmware == "klipper" and key == "SET_VELOCITY_LIMIT":
            for word, value in re.findall(r"(\w+)=(\S+)", self._without_comments(text).upper()):
                self.limits[f"{key} {word}"] = value
        return True

    def _without_comments(self, text: str) -> str:
        if self.firmware == "repetier":
            return re.split(r"[;(%]", text, maxsplit=1)[0]
        return re.sub(r"\([^)]*\)?|;.*", "", text)

    def _commands(self, words: list[tuple[str, float | None]]) -> None:
        """Printers: one command a line; two families cut the line at each further G or M."""
        if not words:
            return
        if self.firmware in ("smoothie", "reprapfirmware"):
            starts = [i for i, (letter, _) in enumerate(words) if letter in "GM"] or [0]
            starts = [0, *starts] if starts[0] != 0 else starts
            parts = [words[a:b] for a, b in zip(starts, [*starts[1:], None], strict=True)]
        else:
            parts = [words]
        native = False
        for part in parts:
            letter, value = part[0]
            rest = part[1:]
            if letter == "G" and value == 53 and rest and rest[0][0] == "G":
                (letter, value), rest, native = rest[0], rest[1:], True
            elif letter == "G" and value == 53:
                native = True
                continue
            self._command(letter, value, _first(rest), part, native)
            native = False

    def _command(
        self,
        letter: str,
        value: float | None,
        args: dict[str, float | None],
        part: list[tuple[str, float | None]],
        native: bool,
    ) -> None:
        if letter == "G" and value is not None:
            self._g(value, args, native)
        elif letter == "M" and value is not None:
            self._m(int(value), args)
        elif letter == "T" and value is not None:
            self._use_tool(int(value))
        elif self.firmware == "smoothie" and letter in "XYZ" and self.motion is not None:
            self._move(self.motion, _first(part), native)
        elif self.firmware == "smoothie" and letter == "F":
            self._move(1 if self.motion is None else self.motion, _first(part), native)

    # -- RS-274: a block runs in a fixed order, not from left to right -----------------------

    def _block(self, words: list[tuple[str, float | None]]) -> None:
        args = _first([w for w in words if w[0] not in "GM"])
        codes = [value for letter, value in words if letter == "G" and value is not None]
        misc = [int(value) for letter, value in words if letter == "M" and value is not None]
        if (args.get("F") or 0.0) > 0:
            self.feed_mm_min = self._length(args["F"] or 0.0)
        if args.get("T") is not None:
            self.selected = int(args["T"] or 0)
        if 6 in misc:
            self._use_tool(self.selected)
        for code in misc:
            if code != 6:
                self._m(code, args)
        if 4 in codes:
            if args.get("P") is None:
                self.faults.append((self.line_no, "G4 needs P"))
            self.dwells.append((self.line_no, args.get("P") or 0.0))
        for code in codes:
            if code in (17, 18, 19, 20, 21, 90, 91, 90.1, 91.1):
                self._g(code, {}, False)
        for code in codes:
            if code in (28, 30) or 92 <= code < 93:
                self._g(code, args, False)
                return
            if code == 10:
                return
        if 80 in codes:
            self.motion = None
        for code in codes:
            if code in (0, 1, 2, 3):
                self.motion = int(code)
        if self.motion is not None and any(
            k in args for k in (*XYZ, self.axis_e, "I", "J", "K", "R")
        ):
            args.pop("F", None)
            self._move(self.motion, args, 53 in codes)

    # -- G --------------------------------------------------------------------------------

    def _g(self, code: float, args: dict[str, float | None], native: bool) -> None:
        if code in (0, 1, 2, 3):
            self.motion = int(code) if code in (0, 1) or self.firmware == "rs274" else self.motion
            self._move(int(code), args, native)
        elif code == 4:
            self._dwell(args)
        elif code in (10, 11):
            self._firmware_retract(int(code), args)
        elif code in PLANES:
            self.plane = int(code)
        elif code in (20, 21):
            self._units(code == 20)
        elif code == 28:
            self._home(args)
        elif code in (90, 91):
            self.absolute = code == 90
            if self.firmware in ("marlin", "smoothie", "rs274"):
                self.e_flag = code == 90
        elif code in (90.1, 91.1):
            if self.firmware == "rs274":
                self.arc_centres_absolute = code == 90.1
        elif 92 <= code < 93:
            self._set_position(code, args)

    def _units(self, inches: bool) -> None:
        if inches and self.firmware == "klipper":
            self.faults.append((self.line_no, "G20 is an error"))
            return
        self.inches = inches

    def _length(self, value: float) -> float:
        return value * 25.4 if self.inches else value

    def _e_amount(self, value: float) -> float:
        """An E word in mm (or mm3 while volumetric)."""
        if not self.inches or self.firmware in ("smoothie", "rs274"):
            return value
        return value * (25.4**3 if self.area_mm2 and self.firmware == "marlin" else 25.4)

    def _dwell(self, args: dict[str, float | None]) -> None:
        p_ms, s = args.get("P"), args.get("S")
        if self.firmware == "klipper":
            seconds = (p_ms or 0.0) / 1000
        elif self.firmware == "smoothie":
            seconds = (p_ms or 0.0) / 1000 + (s or 0.0)
        else:
            seconds = s if s is not None else (p_ms or 0.0) / 1000
        self.dwells.append((self.line_no, seconds))

    def _firmware_retract(self, code: int, args: dict[str, float | None]) -> None:
        if self.firmware == "rs274":
            return
        if code == 10 and self.firmware == "smoothie" and "L" in args:
            return
        if code == 10 and self.firmware == "reprapfirmware" and args:
            return
        self.fw_retracted[self.tool] = code == 10

    def _home(self, args: dict[str, float | None]) -> None:
        named = [k for k, axis in enumerate(XYZ) if axis in args] or [0, 1, 2]
        self.homed.append(self.line_no)
        for k in named:
            self.physical[k] = 0.0
            if self.firmware != "rs274":
                self.offset[k] = 0.0

    def _set_position(self, code: float, args: dict[str, float | None]) -> None:
        named = [axis for axis in (*XYZ, self.axis_e) if args.get(axis) is not None]
        if code != 92:
            if self.firmware in ("rs274", "smoothie", "marlin"):
                self.offset = [0.0, 0.0, 0.0]
            return
        if not named and self.firmware == "smoothie":
            self.offset, self.e_mm = [0.0, 0.0, 0.0], 0.0
        if not named and self.firmware == "klipper":
            self.offset, self.e_mm = list(self.physical), 0.0
        for k, axis in enumerate(XYZ):
            if axis in named:
                self.offset[k] = self.physical[k] - self._length(args[axis] or 0.0)
        if self.axis_e in named:
            self.e_mm = self._e_amount(args[self.axis_e] or 0.0)

    # -- M, T -----------------------------------------------------------------------------

    def _m(self, code: int, args: dict[str, float | None]) -> None:
        if code in (82, 83):
            if self.firmware == "rs274":
                self.faults.append((self.line_no, f"M{code} is not known"))
            if self.firmware == "rs274" and self.axis_e == "A":
                return
            self.e_flag = code == 82
        elif code == 106:
            self.fan[args.get("P") or 0.0] = 255.0 if args.get("S") is None else args["S"] or 0.0
        elif code == 107:
            self.fan[args.get("P") or 0.0] = 0.0
        elif code == 200 and self.firmware not in ("klipper", "rs274"):
            self._volumetric(args)
        elif code == 221 and self.firmware != "rs274":
            self._set_flow(args)
        elif code == 207 and self.firmware != "repetier" and args.get("S") is not None:
            self.fw_length_mm = self._length(args["S"] or 0.0)
        elif code in LIMIT_CODES:
            for letter, value in args.items():
                self.limits[f"M{code} {letter}"] = repr(value)

    def _flow_tool(self) -> int:
        return 0 if self.firmware in ("klipper", "repetier") else self.tool

    def _set_flow(self, args: dict[str, float | None]) -> None:
        """Marlin M221.cpp (whole per cent), Repetier Commands.cpp (25 to 200), Klipper
        gcode_move.py (100 without S), RepRapFirmware GCodes2.cpp, Smoothieware Extruder.cpp."""
        percent = args.get("S", 100.0 if self.firmware == "klipper" else None)
        if percent is None:
            return
        if self.firmware in ("marlin", "repetier"):
            percent = float(int(percent))
        if self.firmware == "repetier":
            percent = min(max(percent, 25.0), 200.0)
        named = args.get({"marlin": "T", "reprapfirmware": "D"}.get(self.firmware, ""))
        self.flow[self._flow_tool() if named is None else int(named)] = percent / 100

    def _volumetric(self, args: dict[str, float | None]) -> None:
        wide = args.get("D")
        if wide is not None:
            self.area_mm2 = math.pi * self._length(wide) ** 2 / 4
        if self.firmware == "marlin" and args.get("S") is not None:
            on = bool(args["S"])
            self.area_mm2 = (self.area_mm2 or math.pi * self.filament_mm**2 / 4) if on else 0.0

    def _use_tool(self, tool: int) -> None:
        self.tool = tool
        self.fed_mm.setdefault(tool, 0.0)
        self.high_mm.setdefault(tool, 0.0)
        self.fw_retracted.setdefault(tool, False)

    # -- motion ---------------------------------------------------------------------------

    def _move(self, code: int, args: dict[str, float | None], native: bool) -> None:
        rate = args.get("F")
        if rate is not None and rate > 0:
            self._set_feed(code, self._length(rate))
        elif rate is not None and self.firmware == "klipper":
            self.faults.append((self.line_no, "F must be above 0"))
        start = (self.physical[0], self.physical[1], self.physical[2])
        end = list(self.physical)
        for k, axis in enumerate(XYZ):
            if args.get(axis) is None:
                continue
            value = self._length(args[axis] or 0.0)
            if native:
                end[k] = value
            elif self.absolute:
                end[k] = value + self.offset[k]
            else:
                end[k] += value
        arc = self._arc(code, args, start, end) if code in (2, 3) else None
        if code in (2, 3) and arc is None:
            return
        names_axis = any(args.get(axis) is not None for axis in XYZ)
        step = self._feed_filament(args.get(self.axis_e), alone=not names_axis)
        self.physical = end
        if self.keep_moves and (step or arc or tuple(end) != start):
            feed = self.feed_mm_min
            if code == 0 and self.firmware == "smoothie":
                feed = self.seek_mm_min
            stop = (end[0], end[1], end[2])
            self.moves.append(Move(self.line_no, start, stop, step, feed, code == 0, arc))

    def _set_feed(self, code: int, feed_mm_min: float) -> None:
        if code == 0 and self.firmware == "smoothie":
            self.seek_mm_min = feed_mm_min
        else:
            self.feed_mm_min = feed_mm_min

    def _feed_filament(self, word: float | None, *, alone: bool = False) -> float:
        """Filament in mm fed by an E word; moves the job's own counter too."""
        if word is None:
            return 0.0
        amount = self._e_amount(word)
        step = amount - self.e_mm if self.e_absolute else amount
        self.e_mm += step
        length = step / self.area_mm2 if self.area_mm2 else step
        if not (alone and self.firmware == "reprapfirmware"):  # GCodes.cpp, applyM220M221
            length *= self.flow.get(self._flow_tool(), 1.0)
        self.fed_mm[self.tool] += length
        self.high_mm[self.tool] = max(self.high_mm[self.tool], self.fed_mm[self.tool])
        return length

    def _arc(
        self,
        code: int,
        args: dict[str, float | None],
        start: tuple[float, float, float],
        end: list[float],
    ) -> Arc | None:
        first, second, third = PLANES[self.plane]
        here, there = (start[first], start[second]), (end[first], end[second])
        radius = args.get("R")
        if self.firmware == "klipper" and (radius is not None or not self.absolute):
            self.faults.append((self.line_no, "arcs need I J and G90"))
            return None
        if radius is not None:
            centre = self._centre_by_radius(code, here, there, self._length(radius))
        else:
            centre = self._centre_by_offsets(args, here, "IJK"[first], "IJK"[second], first, second)
        if centre is None:
            self.faults.append((self.line_no, "no such arc"))
            return None
        turn = _sweep(code, here, there, centre)
        if self.firmware in ("rs274", "marlin") and (args.get("P") or 0) > 1:
            turn += math.copysign(2 * math.pi * (int(args["P"] or 1) - 1), turn)
        round_mm = math.hypot(here[0] - centre[0], here[1] - centre[1]) * abs(turn)
        return Arc(self.plane, centre, turn, math.hypot(round_mm, end[third] - start[third]))

    def _centre_by_radius(
        self, code: int, here: tuple[float, float], there: tuple[float, float], radius: float
    ) -> tuple[float, float] | None:
        """The centre is on the chord's right bisector; R < 0 takes the long way."""
        dx, dy = there[0] - here[0], there[1] - here[1]
        chord = math.hypot(dx, dy)
        if chord == 0 or radius == 0:
            return None
        square = radius**2 - chord**2 / 4
        if square < 0:
            if self.firmware in ("rs274", "reprapfirmware") and square < -1e-3 * radius**2:
                return None
            square = 0.0
        # Left of the chord for a short counter-clockwise arc, right for a clockwise one.
        side = math.sqrt(square) * (1 if code == 3 else -1) * (1 if radius > 0 else -1)
        return (
            (here[0] + there[0]) / 2 - dy / chord * side,
            (here[1] + there[1]) / 2 + dx / chord * side,
        )

    def _centre_by_offsets(
        self,
        args: dict[str, float | None],
        here: tuple[float, float],
        i: str,
        j: str,
        first: int,
        second: int,
    ) -> tuple[float, float] | None:
        if args.get(i) is None and args.get(j) is None:
            return None
        a, b = self._length(args.get(i) or 0.0), self._length(args.get(j) or 0.0)
        if self.arc_centres_absolute:
            return (a + self.offset[first], b + self.offset[second])
        return (here[0] + a, here[1] + b) if a or b else None


def _sweep(
    code: int, here: tuple[float, float], there: tuple[float, float], centre: tuple[float, float]
) -> float:
    """Angle gone round, positive counter-clockwise; same start and end is a full circle."""
    a = math.atan2(here[1] - centre[1], here[0] - centre[0])
    b = math.atan2(there[1] - centre[1], there[0] - centre[0])
    if math.dist(here, there) < 1e-9:
        return 2 * math.pi if code == 3 else -2 * math.pi
    if code == 3:
        return (b - a) % (2 * math.pi) or 2 * math.pi
    return -((a - b) % (2 * math.pi) or 2 * math.pi)


def _words(text: str) -> list[tuple[str, float | None]]:
    return [(m[1], None if m[2] is None else float(m[2])) for m in WORD.finditer(text)]


def _first(words: list[tuple[str, float | None]]) -> dict[str, float | None]:
    """Letter -> value; the first word of a letter counts."""
    found: dict[str, float | None] = {}
    for letter, value in words:
        found.setdefault(letter, value)
    return found


def split_lines(data: bytes) -> list[bytes]:
    """Lines with their ends; LF, CRLF and a lone CR all end a line."""
    return re.findall(rb"[^\r\n]*(?:\r\n|\r|\n)|[^\r\n]+\Z", data)


def run(data: bytes, firmware: str, extruder_axis: str = "E", **options: object) -> list[Snapshot]:
    """The snapshot after every line."""
    machine = Interpreter(firmware, extruder_axis, **options)  # type: ignore[arg-type]
    return list(_snapshots(machine, data))


def run_lean(
    data: bytes, firmware: str, extruder_axis: str = "E", **options: object
) -> Interpreter:
    """The machine after the last line, nothing kept but its moves."""
    machine = Interpreter(firmware, extruder_axis, **options)  # type: ignore[arg-type]
    for line in split_lines(data):
        machine.feed(line)
    return machine


def _snapshots(machine: Interpreter, data: bytes) -> Iterator[Snapshot]:
    for line in split_lines(data):
        machine.feed(line)
        yield machine.state()


EXACT = (
    "fw_retracted",
    "absolute",
    "e_flag",
    "e_absolute",
    "inches",
    "plane",
    "arc_centres_absolute",
    "tool",
    "fan",
    "limits",
)
UNCOMPARED = ("motion",)  # shows in the moves, and only where a line leans on it


def differences(a: Snapshot, b: Snapshot, tol: float = 1e-6) -> list[str]:
    """Fields in which two snapshots differ, worded; empty when they agree."""
    out = []
    for name in Snapshot._fields:
        if name in UNCOMPARED:
            continue
        left, right = getattr(a, name), getattr(b, name)
        if name in EXACT:
            same = left == right
        elif isinstance(left, tuple):
            same = all(abs(p - q) <= tol for p, q in zip(left, right, strict=True))
        else:
            same = abs(left - right) <= tol
        if not same:
            out.append(f"{name}: {left} became {right}")
    return out
