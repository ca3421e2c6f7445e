"""The camera before its subject: what was measured or chosen, checked."""

from __future__ import annotations

import math
from dataclasses import dataclass

from capturehook.errors import CaptureHookError
from capturehook.model.profile import Profile
from capturehook.physics.settling import settle_time_s
from capturehook.rig.advice import check_number
from capturehook.rig.exposure_advice import LightName, Shake

SENSOR_FORMATS_MM = (
    (36.0, 24.0),
    (23.5, 15.6),
    (22.3, 14.9),
    (17.3, 13.0),
    (13.2, 8.8),
    (7.6, 5.7),
    (6.17, 4.55),
    (5.6, 4.2),
)
"""Common sensors, width and height (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SubjectBox:
    """What must be in the picture and sharp, as it stands before the camera."""

    width_mm: float
    depth_mm: float
    height_mm: float

    def __post_init__(self) -> None:
        check_number("subject width_mm", self.width_mm, 0.1, 1e5)
        check_number("subject depth_mm", self.depth_mm, 0, 1e5)
        check_number("subject height_mm", self.height_mm, 0.1, 1e5)

    def seen_from_above(self, tilt_deg: float) -> SubjectBox:
        """The box along the axis of a camera that looks down by ``tilt_deg``."""
        sin, cos = math.sin(math.radians(tilt_deg)), math.cos(math.radians(tilt_deg))
        return SubjectBox(
            width_mm=self.width_mm,
            depth_mm=self.depth_mm * cos + self.height_mm * sin,
            height_mm=self.height_mm * cos + self.depth_mm * sin,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraSetup:
    """A camera as it is set. ``distance_mm`` is from the lens to the front of the subject.

    ``fill`` is the largest share of the picture's width or height that the subject takes.
    ``circle_mm`` is what counts as sharp on the sensor (1/1500 of its diagonal unless given).
    ``ev100`` is a meter's reading; without one ``light`` names a range.
    """

    sensor_mm: tuple[float, float] = (23.5, 15.6)
    pixels: tuple[int, int] = (6000, 4000)
    focal_mm: float = 35.0
    f_number: float = 8.0
    iso: float = 100.0
    distance_mm: float | None = None
    exposure_s: float | None = None
    upright: bool = False
    tilt_deg: float = 0.0
    fill: float = 0.8
    circle_mm: float | None = None
    mains_hz: float = 50.0
    ev100: float | None = None
    light: LightName = "room"
    settle_s: float = 0.18
    blur_px: float = 1.0
    shakes: tuple[Shake, ...] = ()

    def __post_init__(self) -> None:
        for name, low, high in _RANGES:
            value = getattr(self, name)
            for one in value if isinstance(value, tuple) else (value,):
                if one is not None:
                    check_number(name, one, low, high)
        if self.distance_mm is not None and self.distance_mm <= 2 * self.focal_mm:
            raise CaptureHookError(
                "distance_mm",
                f"{self.distance_mm:g} is within twice the focal length ({self.focal_mm:g} mm), "
                "where the image is larger than life",
                "Measure from the lens to the front of the subject, or move the camera back",
            )

    @property
    def held_mm(self) -> tuple[float, float]:
        """Sensor width and height as the camera is held."""
        wide, high = self.sensor_mm
        return (high, wide) if self.upright else (wide, high)

    @property
    def held_px(self) -> tuple[int, int]:
        wide, high = self.pixels
        return (high, wide) if self.upright else (wide, high)

    @property
    def sharp_mm(self) -> float:
        """The circle that counts as sharp; diagonal/1500 is common practice, no source."""
        return self.circle_mm or math.hypot(*self.sensor_mm) / 1500


_RANGES = (
    ("sensor_mm", 0.5, 500),
    ("pixels", 16, 100_000),
    ("focal_mm", 0.5, 5000),
    ("f_number", 0.5, 256),
    ("iso", 1, 1e7),
    ("distance_mm", 1, 1e6),
    ("exposure_s", 1e-5, 3600),
    ("tilt_deg", 0, 90),
    ("fill", 0.01, 1),
    ("circle_mm", 0.0001, 10),
    ("mains_hz", 10, 1000),
    ("ev100", -20, 30),
    ("settle_s", 0, 3600),
    ("blur_px", 0.01, 1000),
)


def setup_from_profile(profile: Profile) -> CameraSetup:
    """The camera and the settling of a profile; the exposure only if the profile states it."""
    camera, park = profile.camera, profile.park
    settle, settle_s = park.settle, park.settle_ms / 1000
    shakes: tuple[Shake, ...] = ()
    if settle is not None:
        shakes = (Shake(settle.frequency_hz, settle.damping, settle.start_mm),)
        if settle.still_mm is not None:
            settle_s = settle_time_s(
                settle.start_mm, settle.still_mm, settle.frequency_hz, settle.damping
            )
    if camera.tripod_hz is not None:
        shakes += (Shake(camera.tripod_hz, camera.tripod_damping, camera.tripod_start_mm),)
    stated = "exposure_ms" in camera.model_fields_set
    return CameraSetup(
        sensor_mm=camera.sensor_mm,
        pixels=camera.pixels,
        focal_mm=camera.focal_mm,
        f_number=camera.f_number,
        iso=camera.iso,
        distance_mm=camera.distance_mm,
        exposure_s=camera.open_ms / 1000 if stated else None,
        settle_s=settle_s,
        shakes=shakes,
    )
