"""Kits, states and blocks for the tests of pose/ and splice/."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from capturehook.block.prove import check_text
from capturehook.block.witness import check_output
from capturehook.block.witness_block import Stated
from capturehook.block.write import Kit, make_kit, pose_block
from capturehook.catalog import FIRMWARES
from capturehook.jobfile.fence import pose_begin, pose_end
from capturehook.model.profile import Profile
from capturehook.model.state import Modes, State
from capturehook.profile import build_profile
from tests.block.lead_in import lead_in
from tests.strategies import profile_table

PARK = (8.0, 215.0)
HOP_MM = 3.4
TRIGGERS: dict[str, dict[str, Any]] = {
    "wait": {"by": "wait", "fired_by": "sensor"},
    "pin": {"by": "pin", "pin": 11, "hold_ms": 200},
    "message": {"by": "message"},
    "lines": {"by": "lines", "lines": ["M42 P5 S1", "M42 P5 S0"], "allow": ["M42"]},
    "button": {"by": "button", "axis": "x", "direction": "-", "x_mm": 2.0, "start_mm": 1.0},
    "camera": {"by": "camera"},
}
MODES: dict[str, Modes] = {
    "absolute": Modes(absolute=True, m82=True),
    "relative_e": Modes(absolute=True, m82=False),
    "relative": Modes(absolute=False, m82=False),
    "relative_m82": Modes(absolute=False, m82=True),
    "inches": Modes(absolute=True, m82=True, inch=True),
    "unsaid": Modes(absolute=True, m82=None),
}
NO_MODES = {
    "rs274": {"relative_e", "relative_m82", "unsaid"},  # no M82/M83 there: A goes with G90/G91
    "klipper": {"inches"},  # G20 is an error
}

NOT_ON = {
    "camera": set(FIRMWARES) - {"marlin"},
    "pin": {"smoothie"},  # its outputs are switched by codes of its own configuration
}


def profile_for(firmware: str, trigger: str = "wait", **changes: Any) -> Profile:
    fire = dict(TRIGGERS[trigger])
    if trigger == "pin" and firmware == "klipper":
        fire["pin"] = "camera_release"
    if trigger == "button":
        changes.setdefault("park", {"x_mm": 8.0, "y_mm": 215.0})
    return build_profile(profile_table(firmware, trigger=fire, **changes), "heron.toml")


def kit_for(firmware: str, trigger: str = "wait", *, per_unit: float = 1.0, **changes: Any) -> Kit:
    return make_kit(
        profile_for(firmware, trigger, **changes),
        e_letter="A" if firmware == "rs274" else "E",
        filament_per_unit=per_unit,
        job_fw_retract=False,
    )


def state_of(modes: Modes, **changes: Any) -> State:
    """Over the lighthouse at (98.2, 104.6, 2.6), nothing drawn back, F1800."""
    values: dict[str, Any] = {
        "line_index": 40,
        "x_mm": 98.2,
        "y_mm": 104.6,
        "z_mm": 2.6,
        "shift_mm": (0.0, 0.0, 0.0),
        "e_mm": 12.345,
        "deficit_mm": 0.0,
        "fw_retracted": False,
        "feed_mm_min": 1800.0,
        "modes": modes,
    }
    return State(**{**values, **changes})


def points(hop_mm: float = HOP_MM) -> list[tuple[float, float, float]]:
    return [(98.2, 104.6, hop_mm), (*PARK, hop_mm)]


def block_of(kit: Kit, state: State, *, prime: bool = True) -> list[str]:
    return list(pose_block(kit, state, points(max(HOP_MM, state.z_mm)), prime=prime).texts)


@dataclass(frozen=True, kw_only=True)
class Posed:
    """A block, and the state in which a job is brought to it."""

    pose: int
    state: State
    lines: tuple[str, ...]
    level_z_mm: float
    prime_mm: float
    wipe: tuple[tuple[float, float], ...] = ()


def prove_blocks(kit: Kit, blocks: Sequence[Posed]) -> None:
    """Each block behind a job of its own that ends in its state, as `apply` proves it."""
    for block in blocks:
        check_text(kit.profile, block.pose, block.lines)
        check_output(pieces_of(kit, block), kit.profile, kit.firmware, [stated_of(block)])


def pieces_of(kit: Kit, block: Posed, *job: str) -> list[bytes]:
    """The job's lines and the fenced block; ``job`` instead of lines that lead into the state."""
    lines = job or tuple(lead_in(kit.firmware, kit.e_letter, block.state))
    fence = (pose_begin(block.pose, 5, 2.6), *block.lines, pose_end(block.pose))
    texts = ("".join(f"{line}\n" for line in part).encode("latin-1") for part in (lines, fence))
    return [*texts, b""]


def stated_of(block: Posed) -> Stated:
    return Stated(
        pose=block.pose,
        level_z_mm=block.level_z_mm,
        prime_mm=block.prime_mm,
        wipe=block.wipe,
    )
