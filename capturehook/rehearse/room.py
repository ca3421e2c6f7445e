"""Where plate, head and camera are in the room at each pose.

A bed that moves in Y is shown at the park point's Y: the gantry stands still and the plate is
shifted. A plate that moves in Z sinks: the nozzle stays at one height. Otherwise the plate
stands still. Room and plate axes are parallel.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from capturehook.rehearse.camera import View, focal_length_px, look_at

if TYPE_CHECKING:
    from capturehook.block.poses import PosedJob
    from capturehook.model.pose import Pose
    from capturehook.model.profile import Camera, Machine, Profile
    from capturehook.read.job import Job

Floats = NDArray[np.float64]

DEFAULT_AZIMUTH_DEG = 28.0
SLOPES = (0.30, 0.24, 0.18)
"""Sine of how far the camera looks down unless stated: tried in this order until enough of the
parked head is in the picture."""
SINKING_SLOPE = 0.17
"""Over a plate that sinks it looks flatter: else nothing but the plate is in the picture, and
nothing in it stands still."""
FILL = (0.80, 0.62)
"""Share of the picture's width and height that the part may take: it takes one of them."""
MARGIN = 0.08
"""The picture is turned towards the head until the part is so near to its edge."""
HEAD_SEEN = 0.5
"""Share of the head's box that is enough in the picture to tell what it is."""
AIM_SHARES = tuple(step / 50 for step in range(1, 51))
"""Of the distance from the part's middle to the head's: how far the picture may be turned."""
CLOSEST_FOCAL = 4.0
"""Not nearer than so many focal lengths."""
FARTHEST_MM = 20_000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Wishes:
    """What a person says about the camera; None is left to us.

    ``height_mm`` is the lens above the plate (as it stands at the last pose);
    ``distance_mm`` goes from the lens to the middle of the part.
    """

    azimuth_deg: float | None = None
    height_mm: float | None = None
    distance_mm: float | None = None
    focal_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PartBox:
    """What is printed, without what lies only in the first layer (skirt, brim, purge line)."""

    low_mm: Floats
    high_mm: Floats

    @property
    def middle_mm(self) -> Floats:
        return np.asarray((self.low_mm + self.high_mm) / 2)

    def corners(self) -> Floats:
        """(8, 3)"""
        ends = np.stack([self.low_mm, self.high_mm])
        pick = np.indices((2, 2, 2)).reshape(3, -1).T
        return np.asarray(ends[pick, np.arange(3)])


@dataclass(frozen=True, slots=True, kw_only=True)
class Sight:
    """What is to be in the picture (room coordinates), and how, where no wish says.

    Attributes
    ----------
    head : to be in it where there is room
    fill : share of the picture's width and height that the subject may take
    slopes : of how far the camera looks down (sines), tried in this order
    plate_mm : height of the plate, from which a wish counts
    least_mm : no nearer than this
    """

    subject: PartBox
    head: PartBox | None = None
    azimuth_deg: float
    slopes: tuple[float, ...]
    fill: tuple[float, float]
    plate_mm: float = 0.0
    least_mm: float = 0.0


def moves_before(job: Job, pose: Pose) -> int:
    """How many moves of the job are done when a pose begins."""
    return int(job.moves.line_index.searchsorted(pose.line_no - 1))


def part_box(job: Job) -> PartBox:
    """The box round the print, in plate coordinates."""
    moves, layers = job.moves, job.layers
    at = np.flatnonzero(moves.prints)
    above = at[at >= int(layers.first_move[min(1, len(layers) - 1)])]
    ends = [
        np.stack([moves.x0_mm[above], moves.y0_mm[above], np.zeros(len(above))], axis=1),
        np.stack([moves.x_mm[above], moves.y_mm[above], moves.z_mm[above]], axis=1),
    ]
    points = np.concatenate(ends)
    return PartBox(low_mm=points.min(axis=0), high_mm=points.max(axis=0))


def plate_offset(machine: Machine, park_y_mm: float, nozzle_z_mm: float) -> Floats:
    """(3,) what to add to a point of the plate to get its place in the room, at one pose."""
    if machine.moves == "bed-y":
        return np.array((0.0, sum(machine.y_mm) / 2 - park_y_mm, 0.0))
    if machine.moves == "bed-z":
        return np.array((0.0, 0.0, machine.z_mm[1] - nozzle_z_mm))
    return np.zeros(3)


def frame_y_mm(machine: Machine) -> float:
    """Where the printer's uprights stand: at the gantry, or clear of the scene at the back."""
    return sum(machine.y_mm) / 2 if machine.moves == "bed-y" else machine.y_mm[1] + 40


def lamp(azimuth_deg: float) -> Floats:
    """Unit vector to the lamp: above, on the other side of the middle than the camera."""
    turn = -58.0 if azimuth_deg >= 0 else 58.0
    angle, rise = np.radians(azimuth_deg + turn), np.radians(42)
    level = np.cos(rise)
    return np.array((level * np.sin(angle), -level * np.cos(angle), np.sin(rise)))


def nozzle_points(applied: PosedJob) -> Floats:
    """(P, 3) nozzle while the shutter is open, in plate coordinates."""
    return np.array([pose.block.shutter_mm for pose in applied.poses]).reshape(-1, 3)


def place_camera(
    profile: Profile, box: PartBox, nozzle_mm: Floats, wishes: Wishes, size: tuple[int, int]
) -> View:
    """The camera of the wishes; what they leave open is chosen so that the part fills the
    picture and the parked head is in it where there is room.

    Parameters
    ----------
    box : in plate coordinates
    nozzle_mm : (n, 3) nozzle during the exposure of the last poses, plate coordinates; a job that
        lifts before the last frame has a sinking plate elsewhere in it
    size : width and height in pixels

    Raises
    ------
    PlanError
        Distance and height contradict each other.
    """
    offsets = [plate_offset(profile.machine, float(one[1]), float(one[2])) for one in nozzle_mm]
    offset = offsets[-1]
    subject = PartBox(
        low_mm=box.low_mm + np.min(offsets, axis=0), high_mm=box.high_mm + np.max(offsets, axis=0)
    )
    head = head_box(profile.machine, nozzle_mm[-1] + offset)
    # the head on one side of the picture, the camera on the other
    right = head.middle_mm[0] > subject.middle_mm[0]
    sinks = profile.machine.moves == "bed-z"
    sight = Sight(
        subject=subject,
        head=head,
        azimuth_deg=-DEFAULT_AZIMUTH_DEG if right else DEFAULT_AZIMUTH_DEG,
        slopes=(SINKING_SLOPE,) if sinks else SLOPES,
        fill=FILL,
        plate_mm=float(offset[2]),
    )
    return frame_sight(sight, profile.camera, wishes, size)


def frame_sight(sight: Sight, camera: Camera, wishes: Wishes, size: tuple[int, int]) -> View:
    """The camera of the wishes, and what they leave open as the sight says.

    Raises
    ------
    PlanError
        Distance and height contradict each other.
    """
    if wishes.focal_mm is not None:
        camera = camera.model_copy(update={"focal_mm": wishes.focal_mm})
    azimuth = sight.azimuth_deg if wishes.azimuth_deg is None else wishes.azimuth_deg
    height = None if wishes.height_mm is None else wishes.height_mm + sight.plate_mm
    head, corners, middle_mm = sight.head, sight.subject.corners(), sight.subject.middle_mm

    def stand(distance_mm: float, slope: float, aim_share: float = 0.0) -> View:
        level_mm = float(middle_mm[2]) + slope * distance_mm
        return look_at(
            middle_mm,
            azimuth_deg=azimuth,
            height_mm=level_mm if height is None else height,
            distance_mm=distance_mm,
            focal_px=focal_length_px(camera, distance_mm, *size),
            width_px=size[0],
            height_px=size[1],
            aim_mm=middle_mm + aim_share * (head.middle_mm - middle_mm) if head else None,
        )

    given = wishes.distance_mm or camera.distance_mm
    rise = 0.0 if height is None else abs(height - float(middle_mm[2]))
    least = max(CLOSEST_FOCAL * camera.focal_mm, 1.1 * rise, sight.least_mm)

    def framed(slope: float) -> View:
        distance_mm = given or least_distance(
            least, lambda mm: fills(stand(mm, slope), corners, sight.fill)
        )
        if head is None:
            return stand(distance_mm, slope)
        view = turned(lambda share: stand(distance_mm, slope, share), sight.subject, head)
        over = max(share_taken(view, corners) / np.array(sight.fill))
        if given is None and over > 1:  # what is off the middle is drawn larger
            farther_mm = distance_mm * over
            view = turned(lambda share: stand(farther_mm, slope, share), sight.subject, head)
        return view

    views = [framed(slope) for slope in (sight.slopes if height is None else sight.slopes[:1])]
    if head is None:
        return views[0]
    seen = [share_seen(view, head) for view in views]
    enough = [view for view, share in zip(views, seen, strict=True) if share >= HEAD_SEEN]
    return enough[0] if enough else views[int(np.argmax(seen))]


def turned(stand: Callable[[float], View], subject: PartBox, head: PartBox) -> View:
    """The view turned from the part towards the head, no further than brings it wholly in."""
    best = stand(0.0)
    for share in AIM_SHARES:
        if holds(best, head.corners()):
            break
        view = stand(share)
        if not holds(view, subject.corners(), MARGIN):
            break
        best = view
    return best


def share_taken(view: View, corners_mm: Floats) -> Floats:
    """(2,) Share of the picture's width and height between the outermost of some corners."""
    px = view.to_pixels(corners_mm)[:, :2]
    return np.asarray(np.ptp(px, axis=0) / (view.width_px, view.height_px))


def share_seen(view: View, box: PartBox) -> float:
    """How much of a box's outline (upright, in pixels) is in the picture."""
    corners = box.corners()
    if view.to_camera(corners)[:, 2].min() <= 0:
        return 0.0
    px = view.to_pixels(corners)[:, :2]
    low, high = px.min(axis=0), px.max(axis=0)
    size = np.array((view.width_px, view.height_px))
    inside = np.clip(np.minimum(high, size) - np.maximum(low, 0), 0, None)
    return float(np.prod(inside) / max(1e-9, np.prod(high - low)))


def head_box(machine: Machine, nozzle_mm: Floats) -> PartBox:
    """The box round the head's body."""
    size = machine.carriage_mm
    return PartBox(
        low_mm=nozzle_mm - np.array((size.left, size.front, 0.0)),
        high_mm=nozzle_mm + np.array((size.right, size.back, size.height)),
    )


def fills(view: View, corners_mm: Floats, share: tuple[float, float]) -> bool:
    """True when the corners take no more than a share of the picture, and are all in it."""
    return holds(view, corners_mm) and bool((share_taken(view, corners_mm) <= share).all())


def holds(view: View, corners_mm: Floats, margin: float = 0.01) -> bool:
    """True when all corners are in the picture, a share of its size from the edge."""
    if view.to_camera(corners_mm)[:, 2].min() <= 0:
        return False
    px = view.to_pixels(corners_mm)[:, :2]
    size = np.array((view.width_px, view.height_px))
    return bool(((px >= margin * size) & (px <= (1 - margin) * size)).all())


def least_distance(least_mm: float, is_far_enough: Callable[[float], bool]) -> float:
    """Bisection between the least distance and one far enough."""
    if is_far_enough(least_mm):
        return least_mm
    near, far = least_mm, 2 * least_mm
    while not is_far_enough(far) and far < FARTHEST_MM:
        near, far = far, 2 * far
    for _ in range(24):
        middle = (near + far) / 2
        near, far = (near, middle) if is_far_enough(middle) else (middle, far)
    return far
