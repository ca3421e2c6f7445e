"""Routes: examples worked by hand, then random beds against the brute-force checker."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, event, given, settings
from hypothesis import strategies as st

from capturehook.errors import PoseError
from capturehook.model.profile import Carriage, KeepOut, Machine
from capturehook.model.route import Route
from capturehook.place.detour import _pull_straight
from capturehook.place.head import Scene
from capturehook.place.height_map import HeightMap
from capturehook.place.route import find_route, refuse_touch
from tests.place import brute
from tests.place.beds import Bed, Shape, beds, make_bed

CARRIAGE = Carriage(left=20, right=20, front=25, back=15, height=30, clearance=3)
PARK = (8.0, 170.0)


def machine(z_max: float = 120.0, *boxes: KeepOut, carriage: Carriage = CARRIAGE) -> Machine:
    return Machine(
        firmware="marlin", x_mm=(0, 180), y_mm=(0, 180), z_mm=(0, z_max),
        carriage_mm=carriage, keep_out=boxes,
    )  # fmt: skip


def thin_carriage(side_mm: float) -> Carriage:
    """A small body under a gantry that is over everything."""
    sides = dict.fromkeys(("left", "right", "front", "back"), side_mm)
    return Carriage(**sides, height=1200, clearance=3)


def mapped(bed: Bed, count: int | None = None) -> HeightMap:
    """The map after so many segments, laid object by object as they come."""
    grid = HeightMap.for_machine(bed.machine)
    for number in np.unique(bed.object_no[:count]):
        mine = bed.segments[:count][bed.object_no[:count] == number]
        grid.add_moves(*mine.T, object_no=int(number))
    return grid


def two_towers(z_max: float = 120.0, tall: float = 50.0, *boxes: KeepOut) -> Bed:
    """A finished tower on the way to the park point, and a low object being printed."""
    towers = [Shape(False, 60, 120, 8, 8, tall), Shape(False, 110, 70, 8, 8, 5)]
    return make_bed(machine(z_max, *boxes), towers, 5.0, True, 0.8)


def route_of(bed: Bed, start: tuple[float, float, float], **given_: object) -> Route:
    grid = mapped(bed)
    return find_route(
        start, PARK, machine=bed.machine, clear_mm=0.8, layer_z_mm=5.0, height_map=grid,
        where="pose 3", **given_,
    )  # fmt: skip


def test_route_with_nothing_taller_is_straight_at_the_usual_hop() -> None:
    route = find_route(
        (100, 90, 12.4), PARK, machine=machine(), clear_mm=0.8, layer_z_mm=12.4, top_mm=12.4
    )
    assert route.kind == "straight"
    assert route.hop_z_mm == pytest.approx(13.2)
    assert route.clearance_mm == pytest.approx(0.8)
    assert route.points.tolist() == [[100, 90, 12.4], [100, 90, 13.2], [8, 170, 13.2]]
    assert route.length_mm == pytest.approx(0.8 + np.hypot(92, 80))


def test_route_where_the_job_has_hopped_higher_already_does_not_rise_again() -> None:
    route = find_route(
        (100, 90, 15.0), PARK, machine=machine(), clear_mm=0.8, layer_z_mm=12.4, top_mm=12.4
    )
    assert route.points.tolist() == [[100, 90, 15], [8, 170, 15]]
    assert route.clearance_mm == pytest.approx(2.6)


def test_route_beside_a_taller_object_stays_at_the_usual_hop() -> None:
    towers = [Shape(False, 150, 40, 8, 8, 25), Shape(False, 60, 130, 8, 8, 5)]
    bed = make_bed(machine(), towers, 5.0, True, 0.8)
    route = route_of(bed, (60, 130, 5))
    assert (route.kind, route.hop_z_mm) == ("straight", pytest.approx(5.8))


def test_route_over_a_finished_tower_is_raised_above_it() -> None:
    route = route_of(two_towers(), (110, 70, 5))
    assert route.kind == "raised"
    assert route.hop_z_mm == pytest.approx(50.8)
    assert route.clearance_mm == pytest.approx(0.8)


def test_route_whose_body_alone_meets_a_tower_rises_by_less() -> None:
    """The tower stands 12 mm off the nozzle's way: the body (3 mm up) passes over at 47.8."""
    towers = [Shape(False, 25, 100, 4, 4, 50), Shape(False, 48, 30, 4, 4, 5)]
    bed = make_bed(machine(), towers, 5.0, True, 0.8)
    route = find_route(
        (48, 30, 5),
        (48, 170),
        machine=bed.machine,
        clear_mm=0.8,
        layer_z_mm=5,
        height_map=mapped(bed),
    )
    assert (route.kind, route.hop_z_mm) == ("raised", pytest.approx(47.8))


def test_route_whose_gantry_alone_meets_a_tower_rises_by_less() -> None:
    """The tower stands 90 mm to the side: only the gantry (30 mm up) must pass over it."""
    towers = [Shape(False, 150, 100, 4, 4, 50), Shape(False, 48, 30, 4, 4, 5)]
    bed = make_bed(machine(), towers, 5.0, True, 0.8)
    route = find_route(
        (48, 30, 5),
        (48, 170),
        machine=bed.machine,
        clear_mm=0.8,
        layer_z_mm=5,
        height_map=mapped(bed),
    )
    assert (route.kind, route.hop_z_mm) == ("raised", pytest.approx(20.8))


def test_route_with_no_room_above_goes_round_the_tower() -> None:
    low = Carriage(left=10, right=10, front=10, back=10, height=60, clearance=3)
    towers = [Shape(True, 60, 120, 8, 8, 50), Shape(False, 110, 70, 8, 8, 5)]
    bed = make_bed(machine(40, carriage=low), towers, 5.0, True, 0.8)
    route = route_of(bed, (110, 70, 5))
    assert route.kind == "detour"
    assert route.hop_z_mm == pytest.approx(5.8)
    assert len(route.points) >= 4
    assert brute.touches(route.points, bed.machine, bed.segments, 0.8) == []


def test_route_between_towers_the_gantry_cannot_pass_is_refused_by_name_and_height() -> None:
    with pytest.raises(PoseError) as caught:
        route_of(two_towers(20.0), (110, 70, 5))
    assert caught.value.exit_code == 1
    assert str(caught.value) == (
        "pose 3: on the path from X110 Y70 to X8 Y170 the nozzle would touch object 1 "
        "(centre X60 Y120, 50 mm high); passing over it takes Z50.8, the nozzle can go to "
        "Z20, and there is no path round. Move [park], arrange the objects anew, or skip such "
        "poses with --skip-unsafe."
    )


def test_route_to_a_park_point_in_a_keep_out_box_names_the_box() -> None:
    lamp = KeepOut(name="lamp", x_mm=(0, 20), y_mm=(160, 180))
    with pytest.raises(PoseError, match=r"at the park point X8 Y170 .* keep-out box 'lamp'"):
        route_of(two_towers(120, 50, lamp), (110, 70, 5))


def test_route_over_a_low_clip_is_raised_above_it() -> None:
    clip = KeepOut(name="clip", x_mm=(50, 60), y_mm=(100, 130), z_mm=(0, 12))
    bed = make_bed(machine(120, clip), [Shape(False, 110, 70, 8, 8, 5)], 5.0, True, 0.8)
    route = route_of(bed, (110, 70, 5))
    assert (route.kind, route.hop_z_mm) == ("raised", pytest.approx(12.8))


def test_route_round_a_keep_out_post_needs_no_map() -> None:
    post = KeepOut(name="lamp post", x_mm=(55, 60), y_mm=(118, 123))
    place = machine(120, post, carriage=thin_carriage(9))
    route = find_route((110, 70, 30), PARK, machine=place, clear_mm=0.8, layer_z_mm=30, top_mm=30)
    assert route.kind == "detour"
    assert route.hop_z_mm == pytest.approx(30.8)
    assert brute.touches(route.points, place, np.empty((0, 6)), 0.8) == []
    assert route.length_mm < 1.2 * np.hypot(102, 100)


def test_route_round_the_end_of_a_wall_stays_inside_the_machine() -> None:
    """Past the far end there would be a shorter way, outside the axis."""
    wall = KeepOut(name="wall", x_mm=(40, 44), y_mm=(70, 185))
    place = machine(120, wall, carriage=thin_carriage(4))
    route = find_route((80, 160, 30), PARK, machine=place, clear_mm=0.8, layer_z_mm=30, top_mm=30)
    assert route.kind == "detour"
    assert route.points[:, 1].min() < 66
    assert route.points[:, :2].min() >= 0 and route.points[:, :2].max() <= 180


def test_route_round_a_bar_keeps_the_body_off_its_end() -> None:
    bar = KeepOut(name="bar", x_mm=(60, 180), y_mm=(118, 123))
    place = machine(120, bar, carriage=thin_carriage(9))
    route = find_route(
        (110, 70, 30), (110, 170), machine=place, clear_mm=0.8, layer_z_mm=30, top_mm=30
    )
    assert route.kind == "detour"
    assert 45 < route.points[:, 0].min() < 51
    assert brute.touches(route.points, place, np.empty((0, 6)), 0.8) == []


def test_detour_rises_over_a_low_bar_to_go_round_a_post() -> None:
    bar = KeepOut(name="bar", x_mm=(0, 180), y_mm=(95, 100), z_mm=(0, 12))
    post = KeepOut(name="post", x_mm=(55, 60), y_mm=(118, 123))
    place = machine(120, bar, post, carriage=thin_carriage(4))
    route = find_route((110, 70, 5), PARK, machine=place, clear_mm=0.8, layer_z_mm=5, top_mm=5)
    assert (route.kind, route.hop_z_mm) == ("detour", pytest.approx(12.8))


def test_a_way_with_a_straight_that_is_not_free_is_no_detour() -> None:
    post = KeepOut(name="post", x_mm=(55, 60), y_mm=(0, 180))
    scene = Scene(machine=machine(120, post, carriage=thin_carriage(20)), clear_mm=0.8, top_mm=0.0)
    assert _pull_straight(scene, [(20, 90), (100, 90)], 20.0) is None
    assert _pull_straight(scene, [(100, 90), (120, 90), (130, 90)], 20.0) == [(100, 90), (130, 90)]


def test_hop_is_rounded_up_to_what_the_block_writes() -> None:
    route = find_route(
        (90, 90, 12.4567), PARK, machine=machine(), clear_mm=0.8, layer_z_mm=12.4567, top_mm=12.4567
    )
    assert route.hop_z_mm == 13.257


def test_usual_hop_without_a_map_counts_a_purge_line_above_the_layer() -> None:
    route = find_route(
        (90, 90, 0.2), PARK, machine=machine(), clear_mm=0.8, layer_z_mm=0.2, top_mm=0.3
    )
    assert (route.kind, route.hop_z_mm) == ("straight", pytest.approx(1.1))


def test_route_over_an_object_less_than_the_clearance_taller_is_raised() -> None:
    towers = [Shape(False, 60, 120, 8, 8, 5.5), Shape(False, 110, 70, 8, 8, 5)]
    bed = make_bed(machine(), towers, 0.5, True, 0.8)
    route = route_of(bed, (110, 70, 5))
    assert (route.kind, route.hop_z_mm) == ("raised", pytest.approx(6.3))


def test_hop_past_the_end_of_z_is_refused_with_both_numbers() -> None:
    with pytest.raises(PoseError, match=r"hop to Z120\.3 does not fit: the axis ends at Z120"):
        find_route(
            (90, 90, 119.5), PARK, machine=machine(), clear_mm=0.8, layer_z_mm=119.5, top_mm=119.5
        )


def test_hop_into_a_box_above_the_print_is_refused_with_its_name() -> None:
    """The gantry is 30 mm up and reaches 100 mm further: under a shelf at 160 Z ends at 29.2."""
    shelf = KeepOut(name="shelf", x_mm=(0, 180), y_mm=(0, 180), z_mm=(160, 200))
    with pytest.raises(PoseError, match=r"Z29\.8 does not fit: under .*'shelf'.* Z29\.2"):
        find_route(
            (90, 90, 29), PARK, machine=machine(120, shelf), clear_mm=0.8, layer_z_mm=29, top_mm=29
        )


def test_park_outside_the_axis_is_refused() -> None:
    with pytest.raises(PoseError, match=r"park point X-4 is outside the axis, 0 to 180"):
        find_route((90, 90, 5), (-4, 9), machine=machine(), clear_mm=1, layer_z_mm=5, top_mm=5)


def test_corner_of_a_round_bed_is_no_park_point_and_no_way_round() -> None:
    """The wall's free end is in the corner of the square, which a delta does not reach."""
    wall = KeepOut(name="wall", x_mm=(88, 92), y_mm=(-1, 168))
    square = machine(120, wall, carriage=thin_carriage(4))
    bed = square.model_copy(update={"round": True})
    given_ = {"clear_mm": 0.8, "layer_z_mm": 30, "top_mm": 30}
    with pytest.raises(PoseError, match="X8 Y170 is outside the round bed"):
        find_route((80, 90, 30), PARK, machine=bed, **given_)
    route = find_route((120, 90, 30), (40, 90), machine=bed, **given_)
    assert route.kind == "detour"
    from_middle = np.hypot(route.points[:, 0] - 90, route.points[:, 1] - 90)
    assert from_middle.max() <= 90 and route.points[:, 1].max() > 172
    far = KeepOut(name="wall", x_mm=(40, 44), y_mm=(-1, 165))
    start, goal = (80, 90, 30), (30, 90)
    over = machine(120, far, carriage=thin_carriage(4))
    assert find_route(start, goal, machine=over, **given_).kind == "detour"
    with pytest.raises(PoseError):
        find_route(start, goal, machine=over.model_copy(update={"round": True}), **given_)


def test_find_route_with_both_map_and_top_is_a_mistake_of_the_caller() -> None:
    with pytest.raises(ValueError, match="either"):
        find_route(
            (90, 90, 5), PARK, machine=machine(), clear_mm=1, layer_z_mm=5, top_mm=5,
            height_map=HeightMap.for_machine(machine()),
        )  # fmt: skip


def test_refuse_touch_of_moves_through_a_tower_names_it() -> None:
    bed = two_towers()
    through = np.array([[8, 170, 6.0], [110, 70, 6.0]])
    with pytest.raises(PoseError, match=r"to X110 Y70 at Z6 the nozzle would touch object 1"):
        refuse_touch(through, machine=bed.machine, clear_mm=0.8, height_map=mapped(bed))
    falling = np.array([[8, 170, 60.0], [110, 70, 6.0]])  # judged at its lower end
    with pytest.raises(PoseError, match="at Z6 the nozzle"):
        refuse_touch(falling, machine=bed.machine, clear_mm=0.8, height_map=mapped(bed))
    refuse_touch(
        through + np.array([0, 0, 50]), machine=bed.machine, clear_mm=0.8, height_map=mapped(bed)
    )


@st.composite
def poses(draw: st.DrawFn, tight: bool = False) -> tuple[Bed, int, tuple[float, float]]:
    bed = draw(beds(tight))
    layer = draw(st.integers(0, len(bed.layer_ends) - 1))
    park = (draw(st.integers(0, 180)), draw(st.integers(0, 180)))
    return bed, layer, (float(park[0]), float(park[1]))


def attempt(bed: Bed, layer: int, park: tuple[float, float]) -> tuple[Route | None, np.ndarray]:
    """The route, or None when refused; and the segments printed by then."""
    stop = bed.layer_ends[layer]
    so_far = bed.segments[:stop]
    x, y, z = so_far[-1, 2], so_far[-1, 3], so_far[-1, 4]
    try:
        route = find_route(
            (x, y, z), park, machine=bed.machine, clear_mm=bed.clear_mm, layer_z_mm=z,
            height_map=mapped(bed, stop),
        )  # fmt: skip
    except PoseError:
        return None, so_far
    return route, so_far


SLOW_BOX = settings(max_examples=60, deadline=None)


@pytest.mark.property
@settings(SLOW_BOX, max_examples=150)
@given(st.one_of(poses(), poses(tight=True)))
def test_no_route_touches_anything(pose: tuple[Bed, int, tuple[float, float]]) -> None:
    """Every point visited is above everything printed and outside every box."""
    bed, _, park = pose
    route, so_far = attempt(*pose)
    assume(route is not None)
    assert route is not None
    event(route.kind)
    assert brute.touches(route.points, bed.machine, so_far, bed.clear_mm) == []
    assert tuple(route.points[-1, :2]) == park
    assert (np.diff(route.points[:, 2]) >= 0).all()
    assert (route.points[1:, :2] >= 0).all() and (route.points[1:, :2] <= 180).all()
    assert route.hop_z_mm <= bed.machine.z_mm[1]
    assert route.clearance_mm >= bed.clear_mm - 1e-6


@pytest.mark.property
@SLOW_BOX
@given(poses())
def test_no_refused_pose_can_be_routed_straight(
    pose: tuple[Bed, int, tuple[float, float]],
) -> None:
    """With everything 3 mm fatter (a cell, its rim and the square nozzle) a search by trying
    finds no straight way where `find_route` found none."""
    bed, layer, park = pose
    route, so_far = attempt(bed, layer, park)
    assume(route is None)
    start = so_far[-1, 2:5]
    lowest = start[2] + bed.clear_mm
    assert (
        brute.straight_hop(start, np.array(park), lowest, bed.machine, so_far, bed.clear_mm, 3.0)
        is None
    )
