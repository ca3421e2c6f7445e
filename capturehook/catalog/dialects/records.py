"""The kinds of layer mark that files carry. docs/reference/gcode_facts.md#layer-marks

Each pattern is a whole line. ``z`` in a pattern is the nozzle height of the layer in mm.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkDialect:
    """One kind of layer mark; see the Dialect contract."""

    name: str
    literal: tuple[bytes, ...]
    pattern: bytes
    number_base: int | None = None


LAYER_CHANGE_Z = MarkDialect(
    name="layer_change_z", literal=(b";LAYER_CHANGE",), pattern=rb";LAYER_CHANGE"
)
LAYER_NUMBER = MarkDialect(
    name="layer_number",
    literal=(b";LAYER:",),
    pattern=rb";LAYER:[ ]*(?P<number>-?[0-9]+)",
    number_base=0,
)
LAYER_SENTENCE = MarkDialect(
    name="layer_sentence",
    literal=(b"; layer ",),
    pattern=rb"; layer (?P<number>-?[0-9]+), Z = (?P<z>-?[0-9.]+)",
    number_base=1,
)
CHANGE_LAYER_TOTAL = MarkDialect(
    name="change_layer_total",
    literal=(b"; CHANGE_LAYER",),
    pattern=rb"; CHANGE_LAYER",
    number_base=1,
)
LAYER_OBJECT_BLOCK = MarkDialect(
    name="layer_object_block",
    literal=(b"; BEGIN_LAYER_OBJECT",),
    pattern=rb"; BEGIN_LAYER_OBJECT z=(?P<z>[0-9.]+)[^\r\n]*",
)
PAREN_LAYER = MarkDialect(
    name="paren_layer", literal=(b"(<layer>",), pattern=rb"\(<layer> *(?P<z>[0-9.]+) *\)"
)
PROGRESS_COMMAND = MarkDialect(
    name="progress_command",
    literal=(b"CURRENT_LAYER=", b"M117 ", b"M73 ", b"layer num/total_layer_count:"),
    pattern=(
        rb"(?:SET_PRINT_STATS_INFO[^\r\n]*CURRENT_LAYER=(?P<number>[0-9]+)[^\r\n]*"
        rb"|M117 [Ll]ayer:? *[0-9]+[^\r\n]*"
        rb"|M73 L[0-9]+"
        rb"|; layer num/total_layer_count: [0-9]+/[0-9]+)"
    ),
    number_base=1,
)
