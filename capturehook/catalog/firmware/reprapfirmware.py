"""RepRapFirmware. docs/gcode_facts.md#reprapfirmware"""

from __future__ import annotations

from capturehook.catalog.firmware.common import BEEP, HARMLESS, CommonFirmware, above_zero
from capturehook.model.contracts import Axes, Effects, OwnCommand, Snippet
from capturehook.model.numbers import fixed


class RepRapFirmware(CommonFirmware):
    """Only M82/M83 touch E; M42 is queued with the moves."""

    name = "reprapfirmware"
    flavours = ("reprapfirmware", "reprap")
    several_commands = "in turn"
    full_on = 1.0
    reversal_adds = True
    usual_jerk = (15.0, 15.0, 0.2, 2.0)  # from memory
    corner_keys = frozenset({"jerk_mm_s"})
    limit_commands = ("M201", "M203", "M204", "M205", "M566")
    axis_limits = {
        "M201": ("max_accel_mm_s2", 1.0),
        "M203": ("max_mm_min", 1.0),
        "M205": ("jerk_mm_s", 1.0),
        "M566": ("jerk_mm_s", 1.0 / 60.0),  # mm/min
    }
    own_commands = {
        "G4": OwnCommand(may=("P", "S")),
        "M400": OwnCommand(),
        "M117": OwnCommand(text=True, pattern=r'"[^"{}]*"|[^;*"{}]+'),
        "M118": OwnCommand(text=True, pattern=r'(?:P[01]\s+)?S"[^"{}]*"'),  # P3 on: the network
        "M42": OwnCommand(must=("P", "S"), pin="P", most={"S": 1}),
        "M280": OwnCommand(must=("P", "S"), pin="P"),
        "M150": OwnCommand(may=("R", "U", "B", "W", "P", "Y", "S", "F", "E", "X")),
        "M300": BEEP,
    }
    snippet_cautions = ("Restore point 0 is overwritten.",)
    effects = Effects(
        harmless=HARMLESS - {"M0", "M1"} | {"ECHO", "GLOBAL", "M568", "SET", "VAR"},
        ends_job=frozenset({"M0", "M1", "M2"}),
        keep_and_give_back=("M120", "M121"),
        relative_stroke="stays",
    )

    def message(self, text: str) -> list[str]:
        """The text is a quoted S word; a quote inside is written twice."""
        quoted = text.replace('"', '""')
        return [f'M118 S"{quoted}"']

    def g10_retracts(self, letters: str) -> bool:
        """With words it sets tool offsets, temperatures or a workplace."""
        return not letters

    def stated_accel(self, code: str, words: Axes) -> Axes:
        """M204 P for printing, T for travel."""
        words = above_zero(words) if code == "M204" else {}
        keys = {"P": "accel_mm_s2", "T": "travel_accel_mm_s2"}
        return {key: words[letter] for letter, key in keys.items() if letter in words}

    def layer_change(self, snippet: Snippet) -> list[str]:
        """M120 and M121 keep modes and feed, restore point 0 the place."""
        return [
            "M120",
            "G60 S0",
            *snippet.retract,
            snippet.hop,
            *snippet.park,
            f"G1 R0 X0 Y0 F{fixed(snippet.travel_mm_min)}",
            f"G1 R0 Z0 F{fixed(snippet.hop_mm_min)}",
            *snippet.unretract,
            "M121",
        ]
