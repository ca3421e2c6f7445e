"""The upper bound of what seeps out while the nozzle is away."""

from __future__ import annotations

import math
from typing import Any

import pytest

from capturehook.model.profile import Profile
from capturehook.profile import build_profile
from capturehook.report.warnings import away_s, ooze_findings
from tests.strategies import profile_table


def profile(**changes: Any) -> Profile:
    return build_profile(profile_table("marlin", **changes), "heron.toml")


def test_time_away_is_standing_and_both_ways() -> None:
    # 0.18 settle, 0.12 + 0.25 + 0.1 for the shutter, 2 x 150 mm at 150 mm/s: 2.65 s by hand
    assert away_s(profile(), 150.0) == pytest.approx(0.65 + 2.0)


def test_hold_of_a_pin_is_counted_once() -> None:
    assert away_s(profile(trigger={"by": "pin", "pin": 5, "hold_ms": 200}), 0.0) == pytest.approx(
        0.65
    )


def test_finding_tells_volume_and_filament() -> None:
    # 2.65 s at 0.2 mm3/s are 0.53 mm3; of filament 1.75 mm thick 0.2203 mm (pi/4 d2 l)
    (found,) = ooze_findings(profile(ooze={"rate_mm3_s": 0.2, "limit_mm3": 0.5}), [10.0, 150.0])
    assert found.code == "ooze"
    assert "0.53 mm3" in found.text
    assert f"{0.53 / (math.pi * 1.75**2 / 4):.2f} mm of filament" in found.text


def test_within_the_limit_nothing_is_said() -> None:
    assert not list(ooze_findings(profile(ooze={"rate_mm3_s": 0.2, "limit_mm3": 0.54}), [150.0]))
    assert not list(ooze_findings(profile(ooze={"rate_mm3_s": 9.0, "limit_mm3": 0.01}), []))
