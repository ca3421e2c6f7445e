"""Lines that bring a machine fresh from power-on into a state: to read a block on its own."""

from __future__ import annotations

from capturehook.model.contracts import Firmware
from capturehook.model.state import State


def lead_in(firmware: Firmware, e_letter: str, state: State) -> list[str]:
    """Commands after which a fresh machine stands at ``state``.

    ``state`` must know X, Y and Z. A firmware's own retraction is not among what is set.
    """
    unit, modes = state.modes.unit_mm, state.modes
    has_e_modes = firmware.has_e_modes
    place = [
        f"{letter}{_number((mm - shift) / unit)}"
        for letter, mm, shift in zip(
            "XYZ", (state.x_mm, state.y_mm, state.z_mm), state.shift_mm, strict=True
        )
    ]
    lines = ["G20" if modes.inch else "G21", "G90"]
    if modes.volumetric_mm == 0 and firmware.reads_volumetric:
        lines.append("M200 D0")
    if has_e_modes:
        lines.append("M82")
    if modes.volumetric_mm > 0:
        lines.append(f"M200 D{_number(modes.volumetric_mm)}")
    lines.append(f"G92 {e_letter}{_number(state.e_mm / modes.e_unit(firmware))}")
    feed = f" F{_number(state.feed_mm_min / unit)}" if state.feed_mm_min > 0 else ""
    lines.append(f"G1 {' '.join(place)}{feed}")
    if modes.m82 is False and (has_e_modes or modes.absolute):
        lines.append("M83")
    if not modes.absolute:
        lines.append("G91")
        if modes.m82 is not None and (has_e_modes or modes.m82):
            lines.append("M82" if modes.m82 else "M83")
    return lines


def _number(value: float) -> str:
    """Enough decimals that nothing is lost to rounding."""
    text = f"{value:.9f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text
