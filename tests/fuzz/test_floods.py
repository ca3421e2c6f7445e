"""Junk of one kind somewhere in a job: refused, or posed so that the job comes out again.

How long megabytes of it take is measured by hand: tests/fuzz/floods.py.
"""

from __future__ import annotations

import pytest

import capturehook
from capturehook.errors import CaptureHookError
from capturehook.jobfile.fence import strip_bytes
from tests.fuzz.floods import FLOODS, PLACES, flood, profiles
from tests.read.slow import FIRMWARES

SIZE = 6_000


@pytest.mark.parametrize("kind", FLOODS)
def test_a_small_flood_of_each_kind_is_refused_or_comes_out_again(kind: str) -> None:
    families = sorted(FIRMWARES)
    for at, place in enumerate(PLACES):
        family, data = families[at % len(families)], flood(kind, place, SIZE)
        profile = profiles([family])[family]
        try:
            posed = capturehook.apply(data, profile, skip_unsafe=True, is_whole=True)
        except CaptureHookError as refused:
            assert refused.found and refused.advice
        else:
            assert strip_bytes(posed.data, "job") == data
