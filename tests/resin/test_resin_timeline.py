"""The light timeline of a [resin] table: published sums, and properties of every table."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from capturehook.catalog.containers.fields import exposures
from capturehook.errors import ProfileError
from capturehook.model.resin import ResinTable, Sensor, Stage
from capturehook.model.resin_job import PHASES
from capturehook.resin.timeline import timeline_of_table

ONE_CYCLE = ResinTable(bottom_layers=5, bottom_exposure_s=30, exposure_s=2.5)
"""Rest 1 s + lift 6 mm at 60 mm/min = 6 s + retract 6 mm at 150 mm/min = 2.4 s: 9.4 s."""


def test_timeline_of_500_layers_is_the_sum_by_hand() -> None:
    """5 x 30 + 495 x 2.5 + 500 x 9.4 = 150 + 1237.5 + 4700 = 6087.5 s (plain arithmetic)."""
    timeline = timeline_of_table(ONE_CYCLE, 500)
    assert timeline.total_s == pytest.approx(6087.5, abs=1e-6)
    assert timeline.height_mm == pytest.approx(25.0)


def test_timeline_of_1000_layers_is_the_sum_by_hand() -> None:
    """6 x 30 + 994 x 2.5 + 1000 x 9.4 = 180 + 2485 + 9400 = 12065 s (plain arithmetic)."""
    table = ONE_CYCLE.model_copy(update={"bottom_layers": 6})
    assert timeline_of_table(table, 1000).total_s == pytest.approx(12065.0, abs=1e-6)


def test_timeline_with_5_transitions_adds_what_they_exceed() -> None:
    """t_k = 30 - 27.5 k / 6 for k = 1..5; their sum exceeds 5 x 2.5 by 27.5 x 2.5 = 68.75 s.

    The linear rule with n + 1 steps: common practice, no source.
    """
    table = ONE_CYCLE.model_copy(update={"bottom_layers": 6, "transition_layers": 5})
    timeline = timeline_of_table(table, 1000)
    light = timeline.phase_s[:, PHASES.index("light")]
    by_hand = [30, 25.416667, 20.833333, 16.25, 11.666667, 7.083333, 2.5]
    np.testing.assert_allclose(light[5:12], by_hand, atol=1e-5)
    assert timeline.total_s == pytest.approx(12133.75, abs=1e-6)


def test_exposures_reaching_meet_the_normal_one_at_the_last_transition() -> None:
    """The other common rule, n steps: 10 - 8 k / 4 for k = 1..4 ends at 2."""
    assert exposures(7, (1, 10), 2, 4, 4).tolist() == [10, 8, 6, 4, 2, 2, 2]


def test_timeline_bottom_layers_have_their_own_lift() -> None:
    """2 bottoms lift 8 mm at 60 = 8 s, 3 more lift 6 mm at 60 = 6 s: 34 s of lift in all."""
    table = ResinTable(
        bottom_layers=2,
        bottom_lift=(Stage(mm=8, mm_min=60),),
        bottom_retract=(Stage(mm=5, mm_min=150), Stage(mm=3, mm_min=60)),
    )
    timeline = timeline_of_table(table, 5)
    assert timeline.lift_mm.tolist() == [8, 8, 6, 6, 6]
    sums = dict(zip(PHASES, timeline.phase_s.sum(axis=0).tolist(), strict=True))
    assert sums["lift"] == pytest.approx(34.0)
    assert sums["retract"] == pytest.approx(2 * (2.0 + 3.0) + 3 * 2.4)


@pytest.mark.parametrize(("light_off_from", "wait_s"), [("lift", 10 - 6 - 2.4), ("retract", 10.0)])
def test_timeline_light_off_delay_has_two_meanings(light_off_from: str, wait_s: float) -> None:
    """Moves (6 + 2.4 s) included, or a rest after them."""
    table = ResinTable.model_validate({"light_off_s": 10, "light_off_from": light_off_from})
    wait = timeline_of_table(table, 3).phase_s[:, PHASES.index("wait")]
    np.testing.assert_allclose(wait, wait_s)


def test_timeline_light_off_delay_shorter_than_the_moves_adds_nothing() -> None:
    table = ResinTable(light_off_s=5)
    assert not timeline_of_table(table, 3).phase_s[:, PHASES.index("wait")].any()


def test_plate_height_through_one_layer_with_two_stages() -> None:
    """Rest 1 s, light 30 s, then 3 mm in 3 s and 4 mm in 1.333 s: half-way points by hand."""
    stages = (Stage(mm=3, mm_min=60), Stage(mm=4, mm_min=180))
    table = ResinTable(lift=stages, retract=stages, rest_lifted_s=2, layer_mm=0.1)
    timeline = timeline_of_table(table, 2)
    at = np.array([0.0, 31.0, 32.5, 34.0, 31 + 3 + 4 / 3, 31 + 3 + 4 / 3 + 2])
    np.testing.assert_allclose(timeline.plate_mm(at), [0.1, 0.1, 1.6, 3.1, 7.1, 7.1], atol=1e-9)
    assert timeline.plate_mm(timeline.start_s[1:])[0] == pytest.approx(0.2)
    assert timeline.plate_mm(timeline.start_s[1:] - 1e-7)[0] == pytest.approx(0.2, abs=1e-6)
    still = timeline.still_from_s(np.array([0.0, 32.0, 36.0]))
    np.testing.assert_allclose(still, [31.0, 0.0, 31 + 3 + 4 / 3 + 2 - 36.0], atol=1e-9)


def test_false_starts_come_before_the_first_layer() -> None:
    table = ResinTable(startup_s=10, sensor=Sensor(false_starts_s=(0.5, 2.0)))
    timeline = timeline_of_table(table, 2)
    assert timeline.flash_layer_no.tolist() == [0, 0, 1, 2]
    assert (timeline.flash_off_s - timeline.flash_on_s)[:2].tolist() == [0.5, 2.0]
    assert timeline.flash_off_s[1] <= timeline.startup_s == 10.0


stage_lists = st.lists(
    st.builds(Stage, mm=st.floats(0.5, 10), mm_min=st.floats(10, 600)), min_size=1, max_size=3
).map(tuple)
seconds = st.floats(0, 20)


@st.composite
def tables(draw: st.DrawFn) -> ResinTable:
    """Any sound [resin] table; the retract goes as far as its lift."""
    lift = draw(stage_lists)
    back = (Stage(mm=sum(stage.mm for stage in lift), mm_min=draw(st.floats(10, 600))),)
    return ResinTable(
        bottom_layers=draw(st.integers(0, 8)),
        transition_layers=draw(st.integers(0, 8)),
        transition=draw(st.sampled_from(["between", "reaching"])),
        bottom_exposure_s=draw(st.floats(1, 60)),
        exposure_s=draw(st.floats(0.5, 10)),
        rest_before_s=draw(seconds),
        rest_after_s=draw(seconds),
        rest_lifted_s=draw(seconds),
        light_off_s=draw(seconds),
        light_off_from=draw(st.sampled_from(["lift", "retract"])),
        layer_extra_s=draw(st.floats(0, 1)),
        startup_s=draw(seconds),
        lift=lift,
        retract=back,
    )


def slow_total_s(table: ResinTable, layers: int) -> float:
    """Layer by layer in plain Python, written apart from the arrays."""
    total = table.startup_s
    for number in range(1, layers + 1):
        k = number - table.bottom_layers
        light = table.exposure_s
        if k <= 0:
            light = table.bottom_exposure_s
        elif k <= table.transition_layers:
            steps = table.transition_layers + (table.transition == "between")
            light = table.bottom_exposure_s - (table.bottom_exposure_s - light) * k / steps
        lift = sum(stage.mm * 60 / stage.mm_min for stage in table.lift)
        retract = sum(stage.mm * 60 / stage.mm_min for stage in table.retract)
        moves = lift + table.rest_lifted_s + retract
        wait = table.light_off_s
        if table.light_off_from == "lift":
            wait = max(0.0, wait - moves)
        total += table.rest_before_s + light + table.rest_after_s + moves + wait
        total += table.layer_extra_s
    return total


@pytest.mark.property
@settings(max_examples=80, deadline=None)
@given(table=tables(), layers=st.integers(1, 40))
def test_timeline_total_is_the_sum_layer_by_layer(table: ResinTable, layers: int) -> None:
    """Rule: T = start-up + the sum over layers of exposure, rests, lift and retract."""
    timeline = timeline_of_table(table, layers)
    assert timeline.total_s == pytest.approx(slow_total_s(table, layers), rel=1e-9)


@pytest.mark.property
@settings(max_examples=80, deadline=None)
@given(table=tables(), layers=st.integers(1, 40))
def test_timeline_is_in_order_and_lights_each_layer_once(table: ResinTable, layers: int) -> None:
    """Rule: one flash for each layer, inside it, of its exposure; the plate is down and still."""
    timeline = timeline_of_table(table, layers)
    light = timeline.phase_s[:, PHASES.index("light")]
    np.testing.assert_allclose(timeline.flash_off_s - timeline.flash_on_s, light, atol=1e-6)
    assert (timeline.flash_on_s[1:] > timeline.flash_off_s[:-1]).all()
    assert (timeline.flash_on_s >= timeline.start_s - 1e-9).all()
    assert (np.diff(timeline.knot_s) >= -1e-9).all()
    middle = (timeline.flash_on_s + timeline.flash_off_s) / 2
    np.testing.assert_allclose(timeline.plate_mm(middle), timeline.z_mm, atol=1e-6)
    np.testing.assert_allclose(
        timeline.plate_mm(timeline.knot_s).max(), (timeline.z_mm + timeline.lift_mm).max()
    )


def test_table_retract_of_another_length_is_refused() -> None:
    with pytest.raises(ValidationError, match="comes down 5 mm but the lift is 6 mm"):
        ResinTable(retract=(Stage(mm=5, mm_min=150),))


def test_profile_with_a_misspelt_resin_key_names_the_nearest() -> None:
    from capturehook.profile import parse_profile
    from capturehook.profile.load import BUILT_IN

    text = (BUILT_IN / "tern.toml").read_text()
    text = text.replace("vat_rim_mm", "vat_rimm").replace("rearm_ms", "re_arm_ms")
    with pytest.raises(ProfileError) as caught:
        parse_profile(text, "tern.toml")
    told = sorted(str(fault).split(". ")[0] for fault in caught.value.faults)
    assert told == [
        "tern.toml: [resin.sensor] re_arm_ms: unknown key, nearest is rearm_ms",
        "tern.toml: [resin] vat_rimm: unknown key, nearest is vat_rim_mm",
    ]
