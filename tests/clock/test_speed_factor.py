"""M220: the machine runs at a share of its feeds, and the clock counts that.

What is scaled, family by family, is what the firmware's own sources do
(docs/reference/gcode_facts.md#state-commands); a job with M220 takes as long as one whose F words
are multiplied instead.
"""

from __future__ import annotations

import re

import pytest

from capturehook.api import apply
from capturehook.block.poses import PosedJob
from capturehook.clock.clocking import times_of
from capturehook.profile import build_profile
from capturehook.report.cost import added_seconds
from tests.small_jobs import Recipe, make_job
from tests.strategies import profile_table

MARK = b";LAYER_CHANGE"


def posed(data: bytes, firmware: str, **tables: object) -> PosedJob:
    return apply(data, build_profile(profile_table(firmware, **tables), "heron.toml"), path="job")


def job_of(firmware: str) -> bytes:
    data = make_job(Recipe(layers=4)).data
    return data if firmware != "rs274" else data.replace(b" E", b" A")


def with_line(data: bytes, *lines: bytes, layer: int = 1) -> bytes:
    """The lines before the mark of a layer."""
    parts = data.split(MARK)
    return MARK.join(parts[:layer]) + b"\n".join(lines) + b"\n" + MARK + MARK.join(parts[layer:])


def with_feeds(data: bytes, share: float, *, spares_filament: bool = False) -> bytes:
    """Every F word multiplied from the first layer on; E alone may be left as it is."""
    head, mark, rest = data.partition(MARK)

    def scaled(line: bytes) -> bytes:
        return re.sub(rb"F([0-9.]+)", lambda m: b"F%g" % (float(m[1]) * share), line)

    lines = [
        line if spares_filament and not re.search(rb"[XYZ]", line) else scaled(line)
        for line in rest.split(b"\n")
    ]
    return head + mark + b"\n".join(lines)


def seconds(data: bytes, firmware: str) -> tuple[float, float]:
    """Of the job, and what its poses add."""
    done = posed(data, firmware)
    return times_of(done.job).total_s, float(added_seconds(done.job, done.poses).sum())


@pytest.mark.parametrize("firmware", ["marlin", "klipper", "smoothie", "repetier"])
def test_all_feeds_are_scaled(firmware: str) -> None:
    data = job_of(firmware)
    slow, halved = with_line(data, b"M220 S50"), with_feeds(data, 0.5)
    assert seconds(slow, firmware)[0] == pytest.approx(seconds(halved, firmware)[0], rel=1e-9)
    assert seconds(slow, firmware)[0] > 1.5 * seconds(data, firmware)[0] - 300
    assert seconds(slow, firmware)[1] > seconds(halved, firmware)[1] + 1  # its own moves too


def test_filament_alone_is_not_scaled_on_reprapfirmware() -> None:
    data = job_of("reprapfirmware")
    slow = with_line(data, b"M220 S50")
    halved = with_feeds(data, 0.5, spares_filament=True)
    both = with_feeds(data, 0.5)
    is_s, want_s = (seconds(one, "reprapfirmware")[0] for one in (slow, halved))
    assert is_s == pytest.approx(want_s, rel=1e-9)
    assert is_s < seconds(both, "reprapfirmware")[0] - 0.01


def test_a_family_without_the_factor_runs_as_stated() -> None:
    data = job_of("rs274")
    assert seconds(with_line(data, b"M220 S50"), "rs274") == seconds(data, "rs274")


def test_the_least_is_the_boards_own() -> None:
    data = job_of("smoothie")
    least = seconds(with_line(data, b"M220 S5"), "smoothie")
    assert least == seconds(with_line(data, b"M220 S10"), "smoothie")


def test_marlin_stores_the_factor_and_brings_it_back() -> None:
    # M220.cpp: B stores the factor in force, R brings it back
    data = job_of("marlin")
    back = with_line(with_line(data, b"M220 R", layer=3), b"M220 B", b"M220 S50")
    ended = with_line(with_line(data, b"M220 S100", layer=3), b"M220 S50")
    assert seconds(back, "marlin") == seconds(ended, "marlin")


def test_it_ends_where_the_job_ends_it_or_gives_back_the_state() -> None:
    data = job_of("klipper")
    ended = with_line(with_line(data, b"M220 S100", layer=3), b"M220 S50")
    saved = with_line(
        with_line(data, b"RESTORE_GCODE_STATE NAME=a", layer=3),
        b"SAVE_GCODE_STATE NAME=a\nM220 S50",
    )
    whole = seconds(with_line(data, b"M220 S50"), "klipper")[0]
    assert seconds(data, "klipper")[0] < seconds(ended, "klipper")[0] < whole
    assert seconds(saved, "klipper")[0] == pytest.approx(seconds(ended, "klipper")[0], abs=1e-6)
