"""What a line can switch: distance and extruder mode, units, plane, tool, feed, offsets.

One place for the rules in which firmware families differ; used by the fast reader for the
lines that are no moves, and by the proof for every line of a block.
"""

from __future__ import annotations

from dataclasses import replace

from capturehook.model.contracts import Firmware
from capturehook.model.effects import Command
from capturehook.model.state import Modes


def _volumetric(modes: Modes, command: Command) -> Modes:
    """M200 D<diameter> begins to count mm3, D0 or S0 ends it."""
    diameter = command.get("D")
    if diameter is None and command.get("S") != 0:
        return modes
    return replace(modes, volumetric_mm=0.0 if command.get("S") == 0 else float(diameter or 0.0))


def switch(modes: Modes, command: Command, firmware: Firmware) -> Modes:
    """The modes after a command that is no move; the same object when nothing changes."""
    code = command.code
    if code in ("G90", "G91"):
        absolute = code == "G90"
        m82 = absolute if firmware.g90_sets_e else modes.m82
        return replace(modes, absolute=absolute, m82=m82)
    if code in ("M82", "M83"):
        return replace(modes, m82=code == "M82")
    if code in ("G20", "G21"):
        return replace(modes, inch=code == "G20")
    if code in ("G17", "G18", "G19"):
        return replace(modes, plane=int(code[1:]))
    if code in ("G90.1", "G91.1"):
        return replace(modes, absolute_centres=code == "G90.1")
    if code[0:1] == "T" and code[1:].isdigit():
        return replace(modes, tool=int(code[1:]))
    if code in ("M106", "M107"):
        return replace(modes, fan=_fan(modes.fan, command))
    if code in ("M201", "M203", "M204", "M205"):
        kept = tuple(text for text in modes.accel if not text.startswith(code))
        return replace(modes, accel=(*kept, f"{code} {command.text.split(';')[0].strip()}"))
    if code == "M200" and firmware.reads_volumetric:
        return _volumetric(modes, command)
    if code in _COORDINATE_SYSTEMS:
        return replace(modes, coordinate_system=code)
    return modes


_COORDINATE_SYSTEMS = frozenset(
    {"G54", "G55", "G56", "G57", "G58", "G59", "G59.1", "G59.2", "G59.3"}
)


def _fan(fan: tuple[str, ...], command: Command) -> tuple[str, ...]:
    """One entry a fan: `P<n> S<value>`."""
    number = command.get("P") or 0.0
    speed = 0.0 if command.code == "M107" else command.get("S")
    speed = 255.0 if speed is None else speed
    kept = tuple(entry for entry in fan if not entry.startswith(f"P{number:g} "))
    return (*kept, f"P{number:g} S{speed:g}")
