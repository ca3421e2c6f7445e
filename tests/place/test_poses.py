"""What the choice of layers is given: the clock and the filament of the job itself.

Each wish alone, against the job's own layers: seconds by the clock, filament by the words.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from capturehook.clock.clocking import times_of
from capturehook.place.choose import evenly
from capturehook.place.poses import _within, choose
from capturehook.profile import build_profile
from capturehook.read.job import Job, read_job
from tests.strategies import profile_table

LAYERS = 12


def job(**capture: Any) -> Job:
    """Squares that grow from layer to layer: 12 layers of 4 to 48 mm of filament."""
    lines, e = ["G21", "G90", "M82", "M104 S200", "G28", "G92 E0"], 0.0
    for layer in range(1, LAYERS + 1):
        lines += [";LAYER_CHANGE", f";Z:{layer / 5:g}", f"G1 X60 Y60 Z{layer / 5:g} F6000"]
        side = 5 * layer
        for x, y in ((60 + side, 60), (60 + side, 60 + side), (60, 60 + side), (60, 60)):
            e += layer
            lines.append(f"G1 X{x} Y{y} E{e:g} F1200")
        e -= 1
        lines.append(f"G1 E{e:g} F2100")
        e += 1
        lines.append(f"G1 E{e:g}")
    table = profile_table("marlin")
    table["capture"] = {"first_layer": 1, "finished": False, "fps": 10, **capture}
    text = "\n".join([*lines, "M104 S0", "M84", ""]).encode()
    return read_job(text, "squares", build_profile(table, "heron.toml"))


def ends_s(one: Job) -> np.ndarray:
    return times_of(one).second_at(one.moves.line_index[one.layers.last_move] + 1)


def test_every_s_is_by_the_clock() -> None:
    one = job(every_s=20)
    second = ends_s(one)[choose(one)]
    assert 3 < len(second) < LAYERS and (np.diff(second) > 10).all()


def test_min_gap_s_is_by_the_clock() -> None:
    one = job(min_gap_s=15)
    chosen = choose(one)
    assert 3 < len(chosen) < LAYERS and (np.diff(ends_s(one)[chosen]) > 14).all()


@pytest.mark.parametrize("spread", ["time", "volume"])
def test_spread_is_even_by_time_or_by_filament(spread: str) -> None:
    one = job(film_s=0.5, spread=spread)
    sides = np.arange(1, LAYERS + 1)
    measure = ends_s(one) if spread == "time" else np.cumsum(4.0 * sides)
    chosen = choose(one)
    assert len(chosen) == 5
    assert chosen.tolist() == evenly(measure[:-1], 5).tolist()  # how, see test_choose.py
    assert chosen.tolist() != choose(job(film_s=0.5, spread="height")).tolist()


def test_a_layer_without_such_a_wish_needs_no_clock() -> None:
    one = job(every_layers=3)
    assert choose(one).tolist() == [0, 3, 6, 9]
    assert "times" not in one.known


@pytest.mark.parametrize(
    ("point", "inside"),
    [
        ((0, 0), True),
        ((235, 235), True),
        ((100, 235.1), False),
        ((100, -0.1), False),
        ((-0.1, 100), False),
        ((235.1, 100), False),
        ((-1, 300), False),
    ],
)
def test_a_wipe_stays_within_both_axes(point: tuple[float, float], inside: bool) -> None:
    profile = build_profile(profile_table("marlin"), "heron.toml")
    assert _within(profile, [(100, 100), point]) is inside
