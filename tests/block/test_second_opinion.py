"""pygcode alone finds what is wrong with a block: the second witness needs no first one."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from capturehook.block.second_opinion import check_block
from capturehook.block.witness_found import Found
from capturehook.block.witness_state import Family
from capturehook.catalog import FIRMWARES
from capturehook.errors import ProofError
from tests.block.blocks import MODES, block_of, kit_for, state_of
from tests.block.test_prove import SABOTAGE, last, swap


def ask(lines: list[str], firmware: str = "marlin", *, prime: float = 0.0, **changes: Any) -> None:
    asked: dict[str, Any] = {
        "number": [98.2, 104.6, 2.6],
        "e": 12.345,
        "m82": True,
        "absolute": True,
        "inch": False,
        "feed": 1800.0,
    }
    family = Family(FIRMWARES[firmware], "A" if firmware == "rs274" else "E", 1.0)
    check_block([line.encode() for line in lines], Found(**{**asked, **changes}), family, prime)


def block(mode: str = "absolute", firmware: str = "marlin") -> list[str]:
    return block_of(kit_for(firmware), state_of(MODES[mode]))


def test_good_blocks_pass() -> None:
    ask(block())
    ask(block("relative_e"), m82=False)
    ask(block("relative"), m82=False, absolute=False)
    ask(block("relative_m82"), absolute=False)
    ask(block(firmware="rs274"), "rs274")
    ask(block(firmware="klipper"), "klipper")
    ask(block("inches"), inch=True)


def test_g90_switches_the_extruder_only_where_the_family_says_so() -> None:
    lines = [*block("relative_e"), "G90"]
    with pytest.raises(ProofError, match="extruder's mode"):
        ask(lines, m82=False)
    ask([*block("relative_e", "klipper"), "G90"], "klipper", m82=False)


SEEN_BY_PYGCODE = {
    "wrong E on return": "E is 12.445, was 12.345",
    "E never pushed again": "E is 11.545",
    "wrong Z on return": "Z is 2.7, was 2.6",
    "no return in Z": "Z is 3.4",
    "wrong X on return": "X is 98.3",
    "no return in XY": "X is 8",
    "missing F": "F is 2100, was 1800",
    "wrong F": "F is 180, was 1800",
    "relative and left so": "modes are",
    "E relative within": "extruder's mode",
    "E mode left changed": "extruder's mode",
    "units": "modes are",
    "plane": "modes are",
}


@pytest.mark.parametrize("name", SEEN_BY_PYGCODE)
def test_sabotage_is_seen_by_pygcode_alone(name: str) -> None:
    told = SEEN_BY_PYGCODE[name]
    lines = SABOTAGE[name][0](block())
    with pytest.raises(ProofError) as caught:
        ask(lines)
    assert told in caught.value.found
    assert str(caught.value.where) == "second opinion"


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (swap("G91", None), "modes are"),
        (swap("G90", None), "X is"),
        (last("G1 E0.8", "G1 E0.7 F2100"), "filament fed is -0.1"),
        (last("G1 E0.8", None), "filament fed is -0.8"),
        (last("G1 F1800", "M82"), "extruder's mode"),
    ],
)
def test_sabotage_in_relative_mode_is_seen(change: Any, told: str) -> None:
    with pytest.raises(ProofError) as caught:
        ask(change(block("relative")), m82=False, absolute=False)
    assert told in caught.value.found


@pytest.mark.parametrize("line", ["G1 X8 X9", "G1 (y) X98.2", "G40 P0.18"])
def test_what_pygcode_cannot_run_is_a_fault(line: str) -> None:
    with pytest.raises(ProofError, match="does not parse"):
        ask([*block(), line])


def test_every_row_of_a_column_is_run() -> None:
    """Many blocks at once: the first row is the line's own, and all must come back."""
    family = Family(FIRMWARES["marlin"], "E", 1.0)
    found = Found(number=[98.2, 104.6, 2.6], e=12.345, feed=1800.0)

    def run(*column: float) -> None:
        check_block([b"G1 X98.2"], found, family, 0.0, columns={0: {"X": np.array(column)}})

    run(98.2, 98.2, 98.2)
    with pytest.raises(ProofError, match="read otherwise"):
        run(98.3, 98.2, 98.2)
    with pytest.raises(TypeError):  # a column in a message: each block is judged by itself then
        run(98.2, 98.2, 98.3)


def test_heights_are_left_to_the_first_witness() -> None:
    ask(SABOTAGE["dip below the layer"][0](block()))


def test_units_put_in_force_by_a_block_of_inches_are_seen() -> None:
    with pytest.raises(ProofError, match="modes are"):
        ask([*block("inches"), "G21"], inch=True)


def test_prime_must_be_the_stated_one() -> None:
    lines = block_of(
        kit_for("marlin", retract={"extra_prime_mm": 0.05}), state_of(MODES["absolute"])
    )
    ask(lines, prime=0.05)
    with pytest.raises(ProofError, match=r"filament fed is 0\.05, should be 0"):
        ask(lines)


def test_one_block_leaves_nothing_for_the_next() -> None:
    with pytest.raises(ProofError):
        ask([*block(), "G91", "G20"])
    ask(block())


def test_jobs_posed_in_two_threads_are_judged_each_for_itself() -> None:
    """In a process of its own: pygcode's first import keeps the streams of all threads quiet."""
    code = (
        "from concurrent.futures import ThreadPoolExecutor as Pool\n"
        "from capturehook import apply\n"
        "from capturehook.profile import load_profile\n"
        "from tests.small_jobs import Recipe, make_job\n"
        "data, heron = make_job(Recipe(layers=4)).data, load_profile('heron')\n"
        "with Pool(4) as pool:\n"
        "    done = list(pool.map(lambda _: apply(data, heron, path='a').data, range(8)))\n"
        "print(len(set(done)))\n"
    )
    root = Path(__file__).parents[2]
    said = subprocess.run([sys.executable, "-c", code], cwd=root, capture_output=True, text=True)
    assert (said.returncode, said.stdout.strip()) == (0, "1")
