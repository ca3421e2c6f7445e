"""The clock against hand-worked runs, against a slow second clock, and its invariants."""

from __future__ import annotations

import math
from dataclasses import fields
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from move_tables import Step, arc, machine_of, moves_of
from slow_clock import slow_clock

from capturehook.catalog import FIRMWARES
from capturehook.catalog.firmware.corners import Deviation, Jerk, SquareCorner
from capturehook.clock import seconds as clock
from capturehook.clock.seconds import (
    clock_events,
    clock_moves,
    is_unknown,
    make_timetable,
)
from capturehook.model.moves import (
    ARC_CW,
    DWELL,
    FW_RETRACT,
    FW_UNRETRACT,
    HEAT,
    HOME,
    PAUSE,
    RAPID,
    WAIT,
    MoveTable,
)
from capturehook.model.profile import AxisLimits, Machine, Retract

# --- by hand


def test_two_legs_round_a_right_angle_by_junction_deviation() -> None:
    # worked: corner 5.60221 mm/s (grbl form, 0.013 mm); ramp from rest to 100: 0.1 s, 5 mm; ramp
    # from 100 to 5.60221: 0.09439779 s, 4.984308 mm; the rest of 50 mm at 100 mm/s
    machine = machine_of(junction_mm=0.013)
    seconds = clock_moves(moves_of([Step(x=50), Step(y=50)]), machine)
    assert seconds == pytest.approx([0.5945547, 0.5945547], abs=5e-8)
    assert seconds.sum() == pytest.approx(1.1891094, abs=5e-8)


def test_wait_in_the_corner_costs_the_full_stop() -> None:
    # worked: each leg from rest to rest 0.1 + 0.4 + 0.1 s
    machine = machine_of(junction_mm=0.013)
    table = moves_of([Step(x=50), Step(y=50)], [(1, WAIT, 0.0)])
    assert clock_moves(table, machine) == pytest.approx([0.6, 0.6], abs=1e-12)
    assert clock_events(table, machine).tolist() == [0.0]


def test_event_on_the_line_of_a_move_comes_before_it() -> None:
    table = moves_of([Step(x=50), Step(x=50)], [(2, DWELL, 1.0)])
    assert clock_moves(table, machine_of()) == pytest.approx([0.6, 0.6], abs=1e-12)


def test_square_corner_of_the_profile() -> None:
    # worked as above with 5 mm/s at 90 degrees; long legs, so that no short-move rule bites
    machine = machine_of(corner_mm_s=5.0)
    leg = 0.1 + 0.095 + (50 - 5 - (100**2 - 5**2) / 2000) / 100
    seconds = clock_moves(moves_of([Step(x=50), Step(y=50)]), machine)
    assert seconds == pytest.approx([leg, leg], rel=1e-12)


def test_short_klipper_move_cruises_half_its_length() -> None:
    # Klipper configuration reference, minimum_cruise_ratio 0.5: 1.5 mm at 3000 mm/s2
    machine = machine_of("klipper", accel_mm_s2=3000.0)
    table = moves_of([Step(x=1.5, f=60000.0)])
    assert clock_moves(table, machine) == pytest.approx([0.047434], abs=5e-7)


def test_classic_jerk_starts_and_stops_without_a_ramp_from_zero() -> None:
    # worked: 10 -> 100 -> 10 mm/s at 1000: 0.09 s and 4.95 mm each way; 40.1 mm at 100
    machine = machine_of("marlin", jerk_mm_s=AxisLimits(x=10, y=10, z=0.3, e=5))
    seconds = clock_moves(moves_of([Step(x=50)]), machine)
    assert seconds == pytest.approx([0.09 + 0.401 + 0.09], abs=1e-12)


def test_filament_alone_moves_from_rest_to_rest_between_travels() -> None:
    # worked: 5 mm at 40 mm/s, 1000 mm/s2: 0.125 + 0.04 s; both legs 0.6 s although straight on
    machine = machine_of(junction_mm=0.013)
    steps = [Step(x=50), Step(e=-5, f=2400), Step(x=50)]
    assert clock_moves(moves_of(steps), machine) == pytest.approx([0.6, 0.165, 0.6], abs=1e-12)


def test_each_kind_of_move_has_its_own_acceleration() -> None:
    machine = machine_of(
        junction_mm=0.013, accel_mm_s2=1000.0, travel_accel_mm_s2=2000.0, retract_accel_mm_s2=500.0
    )
    stops = [(1, WAIT, 0.0), (3, WAIT, 0.0)]
    steps = [Step(x=50, e=2), Step(x=50), Step(e=10, f=1200)]
    # worked: d / v + v / a
    assert clock_moves(moves_of(steps, stops), machine) == pytest.approx(
        [0.5 + 0.1, 0.5 + 0.05, 0.5 + 20 / 500], abs=1e-12
    )


def test_slow_axis_holds_the_whole_path_back() -> None:
    # worked: 3-4-5 in X and Z; Z may do 6 mm/s and 100 mm/s2: path 6 / 0.6 = 10, 100 / 0.6
    limits = AxisLimits(x=1e9, y=1e9, z=360, e=1e9)
    accel = AxisLimits(x=1e9, y=1e9, z=100, e=1e9)
    machine = machine_of(junction_mm=0.013, max_mm_min=limits, max_accel_mm_s2=accel)
    seconds = clock_moves(moves_of([Step(x=4, z=3)]), machine)
    assert seconds == pytest.approx([5 / 10 + 10 / (100 / 0.6)], abs=1e-12)


def test_filament_limit_holds_a_print_move_back() -> None:
    # worked: 2 mm of filament for 4 mm of path, 5 mm/s at most: path 10 mm/s
    limits = AxisLimits(x=1e9, y=1e9, z=1e9, e=300)
    seconds = clock_moves(moves_of([Step(x=4, e=2)]), machine_of(max_mm_min=limits))
    assert seconds == pytest.approx([4 / 10 + 10 / 1000], abs=1e-12)


def test_klipper_limits_hold_for_the_path_not_for_the_axes() -> None:
    # Klipper configuration reference, max_velocity: of the toolhead, relative to the print
    limits = AxisLimits(x=3000, y=3000, z=1e9, e=1e9)
    diagonal = moves_of([Step(x=300, y=400, f=60000)])
    of_path = clock_moves(diagonal, machine_of("klipper", max_mm_min=limits))
    of_axes = clock_moves(diagonal, machine_of("marlin", max_mm_min=limits))
    assert of_path == pytest.approx([500 / 50 + 50 / 1000], abs=1e-9)
    assert of_axes == pytest.approx([500 / 62.5 + 62.5 / 1000], abs=1e-9)


def test_arc_runs_along_its_length_at_most_at_its_centripetal_speed() -> None:
    # worked: half circle r = 10, sqrt(1000 * 10) = 100 mm/s; 31.416 / 100 + 0.1 s
    seconds = clock_moves(moves_of([arc(10, 0, math.pi, f=60000)]), machine_of())
    assert seconds == pytest.approx([math.pi * 10 / 100 + 0.1], abs=1e-12)


def test_helix_counts_its_rise() -> None:
    # worked: full circle r = 10, rise 15: hypot(62.832, 15) mm at 50 mm/s
    seconds = clock_moves(moves_of([arc(10, 0, 2 * math.pi, z=15, f=3000)]), machine_of())
    assert seconds == pytest.approx([math.hypot(20 * math.pi, 15) / 50 + 0.05], abs=1e-12)


def test_arc_without_a_radius_is_a_straight_move() -> None:
    table = moves_of([Step(z=50, kind=ARC_CW, centre=(0.0, 0.0), turn=-6.0)])
    assert clock_moves(table, machine_of()) == pytest.approx([0.6], abs=1e-12)


def test_line_into_a_tangent_arc_does_not_slow_down() -> None:
    # worked: 40 mm/s all through; (20 + 5 pi) / 40 + 40 / 1000
    steps = [Step(x=20, f=2400), arc(0, 10, math.pi / 2, f=2400)]
    seconds = clock_moves(moves_of(steps), machine_of())
    assert seconds.sum() == pytest.approx((20 + 5 * math.pi) / 40 + 0.04, abs=1e-9)


def test_rapid_of_the_ngc_dialect_ignores_the_feed() -> None:
    limits = AxisLimits(x=6000, y=6000, z=600, e=1e9)
    table = moves_of([Step(x=50, f=60, kind=RAPID)])
    assert clock_moves(table, machine_of("rs274", max_mm_min=limits)) == pytest.approx([0.6])
    assert clock_moves(table, machine_of("marlin", max_mm_min=limits)) == pytest.approx([50.001])


def test_move_before_any_feed_uses_the_start_up_feed() -> None:
    # 1500 mm/min, from memory; worked: 50 / 25 + 25 / 1000
    assert clock_moves(moves_of([Step(x=50, f=0)]), machine_of()) == pytest.approx([2.025])


def test_move_without_a_length_takes_no_time_and_breaks_nothing() -> None:
    machine = machine_of()
    whole = clock_moves(moves_of([Step(x=50), Step(x=50)]), machine)
    parted = clock_moves(moves_of([Step(x=50), Step(), Step(x=50)]), machine)
    assert parted[1] == 0.0
    assert parted[[0, 2]] == pytest.approx(whole, abs=1e-12)


def test_no_moves_take_no_time() -> None:
    assert clock_moves(moves_of([]), machine_of()).shape == (0,)
    assert make_timetable(moves_of([]), machine_of()).total_s == 0.0


# --- events and the timetable


def test_events_count_as_stated() -> None:
    events = [(1, HOME, 0.0), (1, HEAT, 0.0), (1, DWELL, 2.5), (3, FW_RETRACT, 0.0)]
    events += [(5, FW_UNRETRACT, 0.0), (5, PAUSE, 0.0)]
    table = moves_of([Step(x=1)] * 4, events)
    machine = machine_of(startup_s=200.0)
    # worked: 2 mm at 40 mm/s from rest to rest, 1000 mm/s2: 0.05 + 0.04 s
    seconds = clock_events(table, machine, Retract(length_mm=2.0, feed_mm_min=2400))
    assert seconds == pytest.approx([200.0, 0.0, 2.5, 0.09, 0.09, 0.0])
    assert is_unknown(table).tolist() == [True, True, False, False, False, True]


def test_retract_of_no_length_takes_no_time() -> None:
    table = moves_of([Step(x=1)], [(0, FW_RETRACT, 0.0)])
    assert clock_events(table, machine_of(), Retract(length_mm=0.0)).tolist() == [0.0]


def test_timetable_tells_the_second_of_every_line() -> None:
    table = moves_of([Step(x=50), Step(x=50), Step(x=50)], [(1, DWELL, 2.0), (3, WAIT, 0.0)])
    times = make_timetable(table, machine_of())
    # lines: 0 move, 1 dwell, 2 move, 3 wait, 4 move
    assert times.second_at([0, 1, 2, 3, 4, 5, 99]) == pytest.approx(
        [0, 0.6, 2.6, 3.2, 3.2, 3.8, 3.8]
    )
    assert times.total_s == pytest.approx(3.8)
    assert float(times.second_at(2)) == pytest.approx(2.6)


def test_dwell_is_added_and_stops_the_path() -> None:
    straight = make_timetable(moves_of([Step(x=50), Step(x=50)]), machine_of()).total_s
    stopped = moves_of([Step(x=50), Step(x=50)], [(1, DWELL, 1.0)])
    # worked: one stop costs v / a = 0.1 s
    assert make_timetable(stopped, machine_of()).total_s == pytest.approx(straight + 1.0 + 0.1)


# --- which rule


def corner_rule(machine: Machine) -> object:
    return FIRMWARES[machine.firmware].corner_rule(machine)


@pytest.mark.parametrize(
    ("firmware", "rule"),
    [
        ("marlin", Deviation(0.013, facets=True)),
        ("klipper", SquareCorner(5.0, 1000.0, 0.5)),
        ("reprapfirmware", Jerk((15, 15, 0.2, 2), reversal_adds=True)),
        ("smoothie", Deviation(0.05)),
        ("repetier", Jerk((20, 20, 0.3, 5))),
        ("rs274", Deviation(0.01)),
    ],
)
def test_corner_rule_without_a_key_is_the_usual_one(firmware: str, rule: object) -> None:
    assert corner_rule(machine_of(firmware)) == rule


def test_corner_rule_of_the_profile_comes_first() -> None:
    jerk = AxisLimits(x=8, y=8, z=0.4, e=1)
    assert corner_rule(machine_of("klipper", junction_mm=0.02)) == Deviation(0.02)
    assert corner_rule(machine_of("marlin", corner_mm_s=7)) == SquareCorner(7, 1000, 0.0)
    assert corner_rule(machine_of("smoothie", jerk_mm_s=jerk)) == Jerk((8, 8, 0.4, 1))


# --- against the slow clock

JERK = AxisLimits(x=8.0, y=9.0, z=0.4, e=2.5)
RULES: list[tuple[str, dict[str, Any], dict[str, Any]]] = [
    ("rs274", {"junction_mm": 0.013}, {"delta": 0.013, "facets": False}),
    ("marlin", {"junction_mm": 0.03}, {"delta": 0.03, "facets": True}),
    ("marlin", {"corner_mm_s": 6.0}, {"scv": 6.0}),
    ("klipper", {}, {"scv": 5.0, "ratio": 0.5}),
    ("marlin", {"jerk_mm_s": JERK}, {"jerk": (8.0, 9.0, 0.4, 2.5), "adds": False}),
    ("reprapfirmware", {"jerk_mm_s": JERK}, {"jerk": (8.0, 9.0, 0.4, 2.5), "adds": True}),
]
LIMITS = {
    "max_mm_min": AxisLimits(x=18000, y=15000, z=900, e=3600),
    "max_accel_mm_s2": AxisLimits(x=3000, y=2500, z=200, e=5000),
    "travel_accel_mm_s2": 2000.0,
    "retract_accel_mm_s2": 1500.0,
}

SHARE = st.floats(-1, 1)
FEED = st.sampled_from([0.0, 600.0, 1800.0, 4321.0, 9000.0, 60000.0])
LENGTH = st.sampled_from([0.02, 0.3, 1.0, 5.0, 40.0])


@st.composite
def steps(draw: st.DrawFn) -> Step:
    kind = draw(st.sampled_from("lllllllpppzera0"))
    feed, size = draw(FEED), draw(LENGTH)
    if kind == "0":
        return Step(f=feed)
    if kind == "e":
        return Step(e=draw(st.sampled_from([-2.0, 0.8, 2.0])), f=feed)
    if kind == "z":
        return Step(z=draw(st.sampled_from([-0.4, 0.2])), f=feed)
    if kind == "a":
        turn = draw(st.sampled_from([-2 * math.pi, -1.0, 0.3, math.pi]))
        return arc(size, draw(SHARE) * size, turn, z=draw(st.sampled_from([0.0, 0.2])), f=feed)
    if kind == "r":
        return Step(x=-size, f=feed)
    angle = draw(SHARE) * math.pi
    e = 0.04 * size * draw(st.sampled_from([-1.0, 1.0, 1.1])) if kind == "p" else 0.0
    return Step(x=math.cos(angle) * size, y=math.sin(angle) * size, e=e, f=feed)


@st.composite
def tables(draw: st.DrawFn) -> MoveTable:
    chosen = draw(st.lists(steps(), min_size=1, max_size=25))
    lines = draw(st.lists(st.integers(0, len(chosen) - 1), max_size=3))
    return moves_of(chosen, [(2 * line + 1, WAIT, 0.0) for line in sorted(lines)])


@pytest.mark.property
@pytest.mark.parametrize(("firmware", "keys", "rule"), RULES)
@settings(max_examples=60, deadline=None)
@given(table=tables())
def test_clock_agrees_with_the_slow_clock(
    firmware: str, keys: dict[str, Any], rule: dict[str, Any], table: MoveTable
) -> None:
    """Rule: whole-array look-ahead = the planner's queue, move for move."""
    machine = machine_of(firmware, **LIMITS, **keys)
    expected = slow_clock(table, machine, rule)
    # At a reversal the half angle is the root of a rounding error (about 1e-8), so either clock
    # may keep sqrt(1500 mm/s2 x 0.013 mm x 1e-8) = 4e-4 mm/s there: 3e-7 s at 1500 mm/s2.
    assert clock_moves(table, machine) == pytest.approx(expected, rel=1e-6, abs=5e-7)


@pytest.mark.parametrize(("firmware", "keys", "rule"), RULES)
def test_clock_agrees_with_the_slow_clock_on_a_long_path(
    firmware: str, keys: dict[str, Any], rule: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A seeded walk of 4,000 moves, worked on in many chunks."""
    monkeypatch.setattr(clock, "CHUNK", 64)
    rng = np.random.default_rng(20260707)
    angles = np.cumsum(rng.normal(0, 0.4, 4000))
    sizes = rng.choice([0.05, 0.5, 3.0], 4000)
    feeds = rng.choice([1800.0, 3600.0, 9000.0], 4000)
    walk = [
        Step(x=math.cos(a) * d, y=math.sin(a) * d, e=0.04 * d, f=f)
        for a, d, f in zip(angles, sizes, feeds, strict=True)
    ]
    for place in range(150, 4000, 300):
        walk[place] = Step(e=-0.8, f=2100)
    table = moves_of(walk)
    machine = machine_of(firmware, **LIMITS, **keys)
    expected = slow_clock(table, machine, rule)
    assert clock_moves(table, machine) == pytest.approx(expected, rel=1e-6)


# --- invariants

MACHINES = [machine_of(firmware, **LIMITS, **keys) for firmware, keys, _ in RULES]


@pytest.mark.property
@pytest.mark.parametrize("machine", MACHINES)
@settings(max_examples=40, deadline=None)
@given(table=tables())
def test_no_move_is_faster_than_its_feed(machine: Machine, table: MoveTable) -> None:
    """Rule: t >= d / v."""
    flat = np.hypot(table.x_mm - table.x0_mm, table.y_mm - table.y0_mm)
    radius = np.hypot(table.x0_mm - table.cx_mm, table.y0_mm - table.cy_mm)
    flat = np.where(table.turn_rad != 0, radius * np.abs(table.turn_rad), flat)
    length = np.hypot(flat, table.z_mm - table.z0_mm)
    length = np.where(length == 0, np.abs(table.e_step_mm), length)
    feed = np.where(table.feed_mm_min > 0, table.feed_mm_min, 1500.0) / 60
    assert np.all(clock_moves(table, machine) >= length / feed * (1 - 1e-9) - 1e-12)


@pytest.mark.property
@pytest.mark.parametrize("machine", [m for m in MACHINES if m.jerk_mm_s is None])
@settings(max_examples=40, deadline=None)
@given(table=tables())
def test_one_more_wait_is_never_faster(machine: Machine, table: MoveTable) -> None:
    """Rule: a stop can only cost time (classic jerk stops and starts at a jump, so not there)."""
    lines = table.line_index[len(table) // 2 : len(table) // 2 + 1]
    more = moves_with_events(table, [*table.event_line_index.tolist(), *lines.tolist()])
    free = clock_moves(table, machine).sum()
    assert clock_moves(more, machine).sum() >= free * (1 - 1e-9)


def moves_with_events(table: MoveTable, lines: list[int]) -> MoveTable:
    columns = {one.name: getattr(table, one.name) for one in fields(MoveTable)}
    columns["event_line_index"] = np.array(sorted(lines), dtype=np.int32)
    columns["event_kind"] = np.full(len(lines), WAIT, dtype=np.uint8)
    columns["event_s"] = np.zeros(len(lines))
    return MoveTable(**columns)


@pytest.mark.property
@settings(max_examples=60, deadline=None)
@given(table=tables(), key=st.sampled_from(["accel_mm_s2", "junction_mm", "max_mm_min"]))
def test_faster_limits_are_never_slower(table: MoveTable, key: str) -> None:
    """Rule: more acceleration, more deviation or more speed never cost time."""
    machine = machine_of("rs274", **LIMITS, junction_mm=0.013)
    if key == "max_mm_min":
        faster: object = AxisLimits(x=30000, y=30000, z=1800, e=7200)
    else:
        faster = getattr(machine, key) * 1.7
    better = machine.model_copy(update={key: faster})
    before, after = clock_moves(table, machine).sum(), clock_moves(table, better).sum()
    assert after <= before * (1 + 1e-9)


@pytest.mark.property
@pytest.mark.parametrize(
    "machine",
    [m for m in MACHINES if m.firmware in ("rs274", "reprapfirmware")],
)
@settings(max_examples=60, deadline=None)
@given(
    walk=st.lists(steps().filter(lambda s: s.turn == 0 and (s.x or s.y)), min_size=1, max_size=12),
    place=st.integers(0, 11),
    share=st.floats(0.1, 0.9),
)
def test_straight_move_in_two_parts_takes_the_same(
    machine: Machine, walk: list[Step], place: int, share: float
) -> None:
    """Rule: a corner that goes straight on is none."""
    place %= len(walk)
    whole = walk[place]
    parts = [
        Step(x=whole.x * k, y=whole.y * k, e=whole.e * k, f=whole.f) for k in (share, 1 - share)
    ]
    parted = [*walk[:place], *parts, *walk[place + 1 :]]
    one = clock_moves(moves_of(walk), machine).sum()
    two = clock_moves(moves_of(parted), machine).sum()
    assert two == pytest.approx(one, rel=1e-6)
