"""A block that is not neutral, or goes where it must not, never gets past the proof.

Each sabotage changes one line of a good block; the proof must name what is wrong.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from capturehook.block.write import Kit
from capturehook.errors import ProofError
from tests.block.blocks import (
    HOP_MM,
    MODES,
    NOT_ON,
    Posed,
    block_of,
    kit_for,
    prove_blocks,
    state_of,
)

Lines = list[str]
Sabotage = Callable[[Lines], Lines]


def good(
    firmware: str = "marlin", mode: str = "absolute", trigger: str = "wait"
) -> tuple[Kit, Posed]:
    kit, state = kit_for(firmware, trigger), state_of(MODES[mode])
    block = Posed(
        pose=7, state=state, lines=tuple(block_of(kit, state)), level_z_mm=HOP_MM, prime_mm=0.0
    )
    return kit, block


def swap(old: str, new: str | None) -> Sabotage:
    """One line that begins so, changed or taken out."""

    def change(lines: Lines) -> Lines:
        at = next(k for k, line in enumerate(lines) if line.startswith(old))
        return [*lines[:at], *([] if new is None else [new]), *lines[at + 1 :]]

    return change


def last(old: str, new: str | None) -> Sabotage:
    return lambda lines: swap(old, new)(lines[::-1])[::-1]


def more(*lines: str) -> Sabotage:
    """Lines added at the end."""
    return lambda old: [*old, *lines]


SABOTAGE: dict[str, tuple[Sabotage, str]] = {
    "wrong E on return": (last("G1 E12.345", "G1 E12.445 F2100"), "E is 12.445"),
    "E never pushed again": (last("G1 E12.345", None), "E is 11.545"),
    "wrong Z on return": (last("G1 Z2.6", "G1 Z2.7 F720"), "Z is 2.7"),
    "no return in Z": (last("G1 Z2.6", None), "Z is 3.4"),
    "wrong X on return": (last("G1 X98.2", "G1 X98.3 Y104.6"), "X is 98.3"),
    "no return in XY": (last("G1 X98.2", None), "X is 8"),
    "missing F": (last("G1 F1800", None), "F is 2100"),
    "wrong F": (last("G1 F1800", "G1 F180"), "F is 180"),
    "no hop": (swap("G1 Z3.4", None), "moves in XY below its hop"),
    "hop after the travel": (
        lambda lines: [lines[0], lines[2], lines[1], *lines[3:]],
        "moves in XY below its hop",
    ),
    "dip below the layer": (
        lambda lines: [*lines[:3], "G1 Z1", "G1 Z3.4", *lines[3:]],
        "goes lower than it started",
    ),
    "un-retract at the park": (
        lambda lines: [*lines[:3], "G1 E12.345", "G1 E11.545 F2100", *lines[3:]],
        "pushes filament away from the part",
    ),
    "park outside the machine": (swap("G1 X8 ", "G1 X-8 Y215"), "leaves the machine's X range"),
    "park behind the machine": (swap("G1 X8 ", "G1 X8 Y236"), "leaves the machine's Y range"),
    "hop out of the machine": (swap("G1 Z3.4", "G1 Z251 F720"), "leaves the machine's Z range"),
    "heater": (swap("M400", "M104 S200"), "touches heaters"),
    "heater without a blank": (swap("M400", "M104S200"), "touches heaters"),
    "heater in small letters": (swap("M400", "m109 s200"), "touches heaters"),
    "heater as a second command": (swap("M400", "M400 M104 S200"), "touches heaters"),
    "tool temperature": (swap("M400", "G10 P0 S200"), "touches heaters"),
    "homing": (swap("M400", "G28 X"), "touches homing"),
    "limits": (swap("M400", "M204 S500"), "touches limits"),
    "stop": (swap("M400", "M0"), "touches stops"),
    "fan": (swap("M400", "M106 S0"), "touches modes"),
    "units": (swap("M400", "G20"), "touches modes"),
    "plane": (swap("M400", "G18"), "touches modes"),
    "tool": (swap("M400", "T1"), "touches motion"),
    "arc": (swap("M400", "G2 X8 Y215 I1"), "touches motion"),
    "relative and left so": (more("G91"), "the modes are"),
    "E relative within": (swap("M400", "M83"), "the modes are"),
    "E mode left changed": (more("M83"), "the modes are"),
    "firmware retraction left on": (swap("M400", "G10"), "retraction is off before it"),
    "a line too long": (swap("M400", "M118 " + "a" * 90), "longer than every firmware reads"),
    "a comment too long": (swap("M400", "G4 P5 ;" + "a" * 120), "longer than every firmware reads"),
    "not ASCII": (swap("M400", "M118 caf\xe9"), "not ASCII"),
    "a word that is no number": (swap("G1 X8 ", "G1 X8.0.0 Y215"), "X8.0.0"),
}  # fmt: skip


def test_good_blocks_pass() -> None:
    for firmware in ("marlin", "klipper", "reprapfirmware", "smoothie", "repetier", "rs274"):
        for trigger in ("wait", "pin", "message", "lines", "button"):
            if firmware in NOT_ON.get(trigger, set()):
                continue
            kit, block = good(firmware, trigger=trigger)
            prove_blocks(kit, [block, replace(block, pose=8)])


def test_no_blocks_are_no_fault() -> None:
    prove_blocks(kit_for("marlin"), [])


@pytest.mark.parametrize("name", SABOTAGE)
def test_sabotage_is_refused_and_named(name: str) -> None:
    change, told = SABOTAGE[name]
    kit, block = good()
    broken = replace(block, lines=tuple(change(list(block.lines))))
    assert broken.lines != block.lines
    with pytest.raises(ProofError) as caught:
        prove_blocks(kit, [block, broken])
    assert told in str(caught.value)


RELATIVE = {
    "missing G91": (swap("G91", None), "the modes are"),
    "missing G90": (swap("G90", None), " is "),
    "wrong step back": (last("G1 E0.8", "G1 E0.7 F2100"), "mm of filament, not"),
    "M82 at the end": (more("M82"), "the modes are"),
}


@pytest.mark.parametrize("name", RELATIVE)
def test_sabotage_in_relative_mode_is_refused(name: str) -> None:
    change, told = RELATIVE[name]
    kit, block = good(mode="relative")
    broken = replace(block, lines=tuple(change(list(block.lines))))
    with pytest.raises(ProofError) as caught:
        prove_blocks(kit, [broken])
    assert told in str(caught.value)


def test_fault_names_its_pose_and_is_ours() -> None:
    kit, block = good()
    broken = replace(block, pose=12, lines=(*block.lines, "G1 Z9"))
    with pytest.raises(ProofError) as caught:
        prove_blocks(kit, [block, broken])
    assert str(caught.value.where) == "pose 12"
    assert caught.value.exit_code == 3


def test_prime_must_be_the_stated_one() -> None:
    kit = kit_for("marlin", retract={"extra_prime_mm": 0.05})
    state = state_of(MODES["absolute"])
    block = Posed(
        pose=1, state=state, lines=tuple(block_of(kit, state)), level_z_mm=HOP_MM, prime_mm=0.05
    )
    prove_blocks(kit, [block])
    with pytest.raises(ProofError, match="mm of filament, not"):
        prove_blocks(kit, [replace(block, prime_mm=0.0)])


def test_allowed_lines_of_the_persons_own_pass() -> None:
    fire = {"by": "lines", "lines": ["M204 S500"], "allow": ["m204"]}
    kit = kit_for("marlin")
    profile = kit.profile.model_copy(
        update={"trigger": kit.profile.trigger.model_copy(update=fire)}
    )
    kit, block = replace(kit, profile=profile), good()[1]
    lines = tuple(swap("M400", "M117 hold")(list(block.lines)))
    prove_blocks(kit, [replace(block, lines=lines)])
