"""A pinhole camera in the room: where it stands, what it looks at, room mm -> pixels.

The room's axes are the machine's: X to the right seen from the front, Y to the back, Z up.
Pixel (0, 0) is the upper left one and covers 0 to 1 in both directions.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from capturehook.errors import PlanError
from capturehook.physics.optics import image_distance_mm

if TYPE_CHECKING:
    from capturehook.model.profile import Camera

Floats = NDArray[np.float64]

STEEPEST = 0.98
"""Sine of the steepest look down or up: straight down has no upright picture."""


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """A camera that stands still.

    Attributes
    ----------
    eye_mm : (3,) place of the lens
    axes : (3, 3) unit vectors in room axes, rows: right, down, forward
    focal_px : from the pinhole to the picture plane, in pixels
    width_px, height_px : of the picture; the axis goes through its middle
    """

    eye_mm: Floats
    axes: Floats
    focal_px: float
    width_px: int
    height_px: int

    @property
    def heading_deg(self) -> float:
        """Where the camera looks from: 0 from the front, 90 from the right, -90 from the left."""
        return math.degrees(math.atan2(-self.axes[2, 0], self.axes[2, 1]))

    def to_camera(self, points_mm: ArrayLike) -> Floats:
        """(..., 3) room points -> (..., 3) mm to the right, down and forward of the lens."""
        offset = np.asarray(points_mm, dtype=np.float64) - self.eye_mm
        # Not `@`: with three columns the linear-algebra library takes ten times as long.
        return np.asarray(np.einsum("...j,ij->...i", offset, self.axes))

    def to_pixels(self, points_mm: ArrayLike) -> Floats:
        """(..., 3) room points before the lens -> (..., 3): x px, y px, 1/depth in 1/mm.

        Source: central projection, x = f X/Z, with the principal point in the middle
        (Hartley and Zisserman, Multiple View Geometry, section 6.1).
        """
        right, down, forward = np.moveaxis(self.to_camera(points_mm), -1, 0)
        near = 1.0 / forward
        x = self.width_px / 2 + self.focal_px * right * near
        y = self.height_px / 2 + self.focal_px * down * near
        return np.stack([x, y, near], axis=-1)

    def scaled(self, factor: float) -> View:
        """The same camera with a finer (or coarser) picture."""
        return replace(
            self,
            focal_px=self.focal_px * factor,
            width_px=round(self.width_px * factor),
            height_px=round(self.height_px * factor),
        )


def look_at(
    target_mm: ArrayLike,
    *,
    azimuth_deg: float,
    height_mm: float,
    distance_mm: float,
    focal_px: float,
    width_px: int,
    height_px: int,
    aim_mm: ArrayLike | None = None,
) -> View:
    """A level-held camera placed round one point.

    Parameters
    ----------
    target_mm : (3,) room point the place is counted from
    aim_mm : (3,) room point in the middle of the picture (the target)
    azimuth_deg : where the camera stands: 0 in front, 90 on the right, -90 on the left
    height_mm : of the lens, on the room's Z axis
    distance_mm : from the target to the lens

    Raises
    ------
    PlanError
        The distance is too short for the height, or nothing at all.
    """
    target = np.asarray(target_mm, dtype=np.float64)
    rise = height_mm - float(target[2])
    if distance_mm <= 0 or abs(rise) > STEEPEST * distance_mm:
        least_mm = math.ceil(abs(rise) / STEEPEST)
        raise PlanError(
            "camera",
            f"a lens {height_mm:g} mm high cannot be {distance_mm:g} mm from a part whose middle "
            f"is {float(target[2]):.1f} mm high",
            f"Go at least {max(least_mm, 1)} mm away, or lower the camera",
        )
    level = math.sqrt(distance_mm**2 - rise**2)
    angle = math.radians(azimuth_deg)
    eye = target + np.array((level * math.sin(angle), -level * math.cos(angle), rise))
    return View(
        eye_mm=eye,
        axes=camera_axes((target if aim_mm is None else np.asarray(aim_mm)) - eye),
        focal_px=focal_px,
        width_px=width_px,
        height_px=height_px,
    )


def camera_axes(forward: ArrayLike) -> Floats:
    """(3, 3) rows right, down, forward of a level-held camera; not for straight up or down."""
    ahead = np.asarray(forward, dtype=np.float64)
    ahead = ahead / np.linalg.norm(ahead)
    right = np.cross(ahead, (0.0, 0.0, 1.0))
    right /= np.linalg.norm(right)
    return np.stack([right, np.cross(ahead, right), ahead])


def focal_length_px(camera: Camera, distance_mm: float, width_px: int, height_px: int) -> float:
    """Pinhole to picture plane, in pixels of a picture that is cut out of the sensor's.

    The plane stands where the lens makes the subject sharp, not at the focal length.
    The cut is the largest that has the picture's shape. Source: :func:`image_distance_mm`.

    Raises
    ------
    PlanError
        The distance is no longer than the focal length.
    """
    if distance_mm <= camera.focal_mm:
        raise PlanError(
            "camera",
            f"a lens of {camera.focal_mm:g} mm makes no picture of what is {distance_mm:g} mm away",
            "Go further away, or take a lens with a shorter focal length",
        )
    wide_mm, high_mm = camera.sensor_mm
    px_per_sensor_mm = max(width_px / wide_mm, height_px / high_mm)
    return image_distance_mm(camera.focal_mm, distance_mm) * px_per_sensor_mm
