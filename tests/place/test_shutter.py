"""When to fire: settling by frequency, damping and allowed blur; the hold."""

from __future__ import annotations

import math
from typing import Any

import pytest

from capturehook.catalog import TRIGGERS
from capturehook.catalog.triggers.dwell_only import HAND_MS
from capturehook.errors import Finding, ProfileError
from capturehook.model.profile import Profile
from capturehook.physics.settling import settle_together_s
from capturehook.place.shutter import (
    hold_ms,
    settle_ms,
    settling_of,
)
from capturehook.profile import build_profile, load_profile
from tests.strategies import profile_table

SETTLE = {"frequency_hz": 30, "damping": 0.1, "start_mm": 0.5}
# 15.8 px/mm: 6000 px over 23.5 mm at m = f/(s - f) (thin lens), solved for s
DISTANCE_MM = 35 * (1 + 6000 / 15.8 / 23.5)


def warnings_of(profile: Profile) -> list[Finding]:
    """What `profile check`, `plan`, `apply` and the hooks all say of a trigger."""
    return TRIGGERS[profile.trigger.by].findings(profile)


def profile_with(**tables: Any) -> Profile:
    return build_profile(profile_table("marlin", **tables), "heron.toml")


def test_settle_ms_is_as_stated_without_an_oscillator() -> None:
    assert settle_ms(profile_with(park={"settle_ms": 250})) == 250


def test_settle_ms_of_a_damped_oscillator_is_the_textbook_case() -> None:
    """ln(0.5/0.02)/(0.1 2 pi 30) = 0.1708 s (textbook damped oscillator, worked by hand)."""
    park = {"settle": {**SETTLE, "still_mm": 0.02}}
    assert settle_ms(profile_with(park=park)) == 171


def test_settle_ms_from_allowed_blur_leaves_that_much_swing() -> None:
    """With an exposure of many waves the smear is twice the amplitude: A = blur/(2 px/mm)."""
    camera = {"distance_mm": DISTANCE_MM, "exposure_ms": 2000.0, "blur_px": 1.0}
    profile = profile_with(park={"settle": SETTLE}, camera=camera)
    assert settling_of(profile).px_mm == pytest.approx(15.8)
    by_hand_s = math.log(0.5 * 2 * 15.8 / 1.0) / (0.1 * 2 * math.pi * 30)
    assert settle_ms(profile) == math.ceil(by_hand_s * 1000)


def test_settle_ms_waits_for_a_tripod_slower_than_the_printer() -> None:
    """8 Hz, 0.03, from 0.1 to 0.01 mm: 1.527 s (textbook, worked by hand)."""
    camera = {
        "distance_mm": DISTANCE_MM,
        "exposure_ms": 500.0,
        "blur_px": 2 * 0.01 * 15.8,
        "tripod_hz": 8.0,
    }
    profile = profile_with(park={"settle_ms": 180}, camera=camera)
    assert settle_ms(profile) == pytest.approx(1527, abs=2)
    assert settling_of(profile).printer_ms == 180


def test_printer_and_tripod_together_wait_longer_than_either() -> None:
    printer, tripod = (0.5, 30.0, 0.1), (0.1, 8.0, 0.03)
    both = settle_together_s([printer, tripod], 0.25, 0.1)
    assert both >= settle_together_s([tripod], 0.25, 0.1) > settle_together_s([printer], 0.25, 0.1)


def test_shake_that_never_shows_needs_no_wait() -> None:
    assert settle_together_s([(0.01, 30.0, 0.1)], 0.25, 0.1) == 0
    assert settle_together_s([], 0.25, 0.1) == 0


@pytest.mark.parametrize(
    ("tables", "message"),
    [
        ({"park": {"settle": SETTLE}}, r"\[park.settle\] still_mm: is left out, and without"),
        ({"camera": {"tripod_hz": 8.0}}, r"\[camera\] tripod_hz: how long .* distance_mm"),
        ({"camera": {"distance_mm": 30.0}}, r"\[camera\] distance_mm: 30 is not more than"),
    ],
)
def test_settling_that_cannot_be_known_is_a_fault(tables: dict[str, Any], message: str) -> None:
    with pytest.raises(ProfileError, match=message):
        profile_with(**tables)


def test_hold_is_lag_exposure_and_margin_less_what_has_passed() -> None:
    profile = profile_with(camera={"lag_ms": 120, "exposure_ms": 250, "margin_ms": 100})
    assert hold_ms(profile, 0) == 470
    assert hold_ms(profile, 200) == 270
    assert hold_ms(profile, 900) == 0


def test_hold_for_a_timer_is_a_whole_interval_and_exposure() -> None:
    camera: dict[str, Any] = {"interval_s": 5.0, "exposure_ms": 250, "jitter_ms": 50}
    assert hold_ms(profile_with(camera=camera), 0) == 5000 + 250 + 50 + 100
    assert hold_ms(profile_with(camera={**camera, "hold_ms": 1500}), 0) == 1500


BY_HAND = {"by": "wait", "fired_by": "hand"}


def test_a_hand_is_given_less_time_than_it_needs() -> None:
    """120 ms lag, 250 ms exposure and 100 ms margin, as against 2 s more for the person."""
    camera = {"lag_ms": 120, "exposure_ms": 250, "margin_ms": 100}
    (told,) = warnings_of(profile_with(trigger=BY_HAND, camera=camera))
    needs_ms = 120 + 250 + HAND_MS
    assert told.code == "hold-short"
    assert "0.47 s" in told.text and f"hold_ms = {needs_ms}" in told.text
    for hold, count in ((needs_ms - 1, 1), (needs_ms, 0)):
        camera["hold_ms"] = hold
        assert len(warnings_of(profile_with(trigger=BY_HAND, camera=camera))) == count


@pytest.mark.parametrize(
    ("trigger", "camera"),
    [
        ({"by": "wait", "fired_by": "sensor"}, {}),
        ({"by": "message", "text": "capture frame"}, {}),
        (BY_HAND, {"interval_s": 5.0}),
    ],
)
def test_nothing_is_said_where_no_hand_fires(
    trigger: dict[str, Any], camera: dict[str, Any]
) -> None:
    profile = profile_with(trigger=trigger, camera=camera)
    assert warnings_of(profile) == [] and not profile.is_by_hand


def test_no_starter_warns() -> None:
    assert [warnings_of(load_profile(name)) for name in ("heron", "kestrel", "tern")] == [[]] * 3
