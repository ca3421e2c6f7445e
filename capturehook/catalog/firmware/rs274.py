"""RS-274/NGC controllers. docs/reference/gcode_facts.md#rs274 has what users meet; *: looked
up twice.

NIST IR 6556 "The NIST RS274NGC Interpreter, version 3" and the LinuxCNC handbook.
- G4 P in seconds, with a point (3.5.4; LinuxCNC *)
- words run in a fixed order (F before modes before motion), not from left to right (3.8); a word
  alone goes on with the motion in force (3.5.1)
- M82, M83, G10/G11 as retraction and M400 do not exist (table 5); where a controller adds E with
  M82/M83, it is read as on marlin [common]
- else the extruder is axis A [common], which follows G90/G91 and is not converted under G20
  (2.1.2.5)
- G92 shifts all coordinate systems; G28 goes to a stored point and homes nothing (LinuxCNC)
- a radius that does not reach from end to end is an error (3.5.3.1); comments are ; or ( )
  (3.3.4)
"""

from __future__ import annotations

import re

from capturehook.catalog.firmware.common import CommonFirmware
from capturehook.model.contracts import OwnCommand
from capturehook.model.effects import Changes, Command, End, Lose, Pop, Push, Refuse, SetOrigin

_FLOW = re.compile(r"\s*(?:N\s*\d+\s*)?O\s*(?:\d|<)", re.I)
_STORED = ("absolute", "m82", "inch", "plane", "absolute_centres", "coordinate_system")
"""m-code.adoc, M70; neither the place nor G92 nor G0/G1 are among them."""


class Rs274(CommonFirmware):
    """G4 P counts seconds and itself waits for motion; pins are M64/M65; no retract of its own."""

    name = "rs274"
    flavours = ("mach3", "machinekit")
    g90_sets_e = True  # A is an axis like the others
    has_e_modes = False  # an addition of a controller that has E words
    rapid_ignores_feed = True
    can_prime = False
    has_stored_points = True
    inch_scales_e = False  # A is a rotary axis: degrees in either unit
    has_firmware_retract = False
    modal_motion = True
    several_commands = "modes first"
    reads_volumetric = False
    full_on = 1.0
    own_commands = {
        "G4": OwnCommand(must=("P",)),
        "M64": OwnCommand(must=("P",), pin="P"),  # M62, M63 act at the next motion only
        "M65": OwnCommand(must=("P",), pin="P"),
        "(MSG,": OwnCommand(text=True, pattern=r"[^();*]*\)"),
    }
    harmless = frozenset(
        (
            "G8 G28.1 G30.1 G40 G49 G50 G61 G61.1 G64 G80 G96 G97 G98 G99 M3 M4 M5 M7 M8 M9 M19 "
            "M48 M49 M50 M51 M52 M53 M61 M62 M63 M64 M65 M66 M67 M68 M73 M82 M83 M104 M106 M107 "
            "M109 M116 M118 M140 M141 M190 M191 M201 M203 M204 M205 M900"
        ).split()
    )
    pauses = frozenset({"M0", "M1", "M60"})
    stops = frozenset()
    parks = dict.fromkeys(("G28", "G30", "M6"), "")  # stored places
    loses = {
        **dict.fromkeys("G28 G30 G33 G33.1 G5 G5.1 G5.2 G5.3 M6".split(), "XYZ"),
        **dict.fromkeys(("G38.2", "G38.3", "G38.4", "G38.5"), "XYZ"),
    }
    refuses = {
        "G7": "counts X as a diameter",
        **dict.fromkeys(
            ("G41", "G41.1", "G42", "G42.1"),
            "turns on cutter compensation, which looks ahead past a pose block",
        ),
        **dict.fromkeys(
            "G73 G74 G76 G81 G82 G83 G84 G85 G86 G87 G88 G89".split(),
            "is a canned cycle, which words alone repeat",
        ),
        **dict.fromkeys(("M97", "M98", "M99"), "calls or ends a part of the program"),
        "M71": "drops a saved state",
        "M74": "is no command of the controller",
    }
    strange_codes = {
        "M82": "E is read as a place after it",
        "M83": "E is read as a step after it",
        "G11": "G10 and G11 are not read as retraction",
    }
    has_workplaces = True
    usual_junction_mm = 0.01  # as in grbl (from memory)
    message_line = "; {text}"
    speed_percent = flow_percent = None  # only the operator's own override
    ends_job = frozenset({"M2", "M30", "M60"})
    silent_end = frozenset({"M2", "M30"})

    def special(self, command: Command) -> Changes | None:
        code = command.code
        if code == "G10":
            if command.get("L") in (2.0, 20.0):
                return (SetOrigin(int(command.get("P") or 0), (), here=True),)
            return (Lose("XYZ", frame=True),)
        if code in ("G43", "G43.1", "G43.2"):
            return (Lose("Z", frame=True),)
        if code in ("G52", "G92.3"):
            return (Lose("XYZ", frame=True),)
        if code == "M70":
            return (Push(_STORED, single=True),)
        if code == "M72":
            return (Pop(Refuse("M72 without an M70 before it is an error"), keeps=True),)
        if code in ("M2", "M30"):
            return (End(),)
        if code[:1] == "T" and code[1:].isdigit():
            return ()  # prepares a tool; M6 changes it
        return None

    def refuses_text(self, text: str) -> Refuse | None:
        """O-words and values in brackets or parameters; `docs/src/gcode/o-code.adoc`."""
        if _FLOW.match(text) or "[" in text or "#" in text:
            return Refuse(
                "loops, conditions and values in brackets or parameters cannot be followed",
                "Slice the model again without them",
            )
        return None

    def g10_retracts(self, letters: str) -> bool:
        """It sets tables of offsets."""
        return False

    def dwell(self, ms: int) -> list[str]:
        return [f"G4 P{ms / 1000:.3f}"] if ms > 0 else []

    def wait(self) -> list[str]:
        return []

    def dwell_ms(self, p: float | None, s: float | None) -> float:
        """P is in seconds; S is no dwell."""
        return 1000.0 * (p or 0.0)

    def set_pin(self, pin: str | int, value: float | None, on: bool) -> list[str]:
        return [f"M{64 if on else 65} P{pin}"]
