"""A small cut of tests/bench/bench_judging.py: one shoot with all nine kinds of fault, one clean.

The whole grid (three scenes, three lights, 1200 x 900 px) takes minutes and is run by hand.
"""

from __future__ import annotations

from tests.bench.bench_judging import KINDS, run_grid


def test_nine_kinds_of_fault_are_found_and_no_clean_frame_is_called_ill(tmp_path):
    counts = run_grid(tmp_path, 1, (480, 360), photos=("workshop",), lights=("two lamps",))
    assert dict(counts.drawn) == dict.fromkeys(KINDS, 1)
    assert counts.missed == [] and counts.false == [] and counts.clean > 90
    assert counts.warnings == []
