"""The [camera] table of a profile."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from capturehook.model.shutter import true_shutter_s
from capturehook.model.tables import (
    Count,
    Damping,
    Hertz,
    Milliseconds,
    NotNegative,
    Positive,
    Record,
)


class Camera(Record):
    """The camera's times, its lens and what it has room for."""

    lag_ms: NotNegative = 120.0
    """ms from the trigger to the opening shutter: the slowest seen."""
    exposure_ms: Positive = 250.0
    """ms as the camera shows it."""
    exposure_is: Literal["marked", "true"] = "marked"
    """marked: the shutter follows powers of two (1/60 is 1/64 s, 30 s is 32 s). true: bulb,
    measured, or a body that keeps what it shows."""
    write_ms: NotNegative = 900.0
    """ms from the end of an exposure until the next can be fired."""
    hold_ms: Milliseconds | None = None
    """ms to stand still after the trigger, instead of the sum of the keys here."""
    margin_ms: NotNegative = 100.0
    """ms after lag and exposure before the head moves."""
    min_hold_ms: NotNegative = 100.0
    """ms, shortest press it takes."""
    interval_s: Annotated[float, Field(strict=True, ge=0.1, le=3600)] | None = None
    """s, its own interval timer (trigger by = "wait")."""
    jitter_ms: Annotated[float, Field(strict=True, ge=0, le=60_000)] = 0.0
    """ms the timer strays from frame to frame."""
    drift_ppm: Annotated[float, Field(strict=True, ge=0, le=100_000)] = 50.0
    """Parts in a million by which its clock runs off."""
    sensor_mm: tuple[Positive, Positive] = (23.5, 15.6)
    """mm, width and height of the image sensor."""
    pixels: tuple[Count, Count] = (6000, 4000)
    """Width and height of a frame."""
    focal_mm: Positive = 35.0
    """mm, as written on the lens."""
    f_number: Positive = 8.0
    """As written on the lens: 8 for f/8."""
    iso: Positive = 100.0
    """Sensitivity (ISO)."""
    distance_mm: Positive | None = None
    """mm from subject to lens."""
    blur_px: Annotated[float, Field(strict=True, ge=0.01, le=1000)] = 1.0
    """px the picture may swing during an exposure."""
    tripod_hz: Hertz | None = None
    """Hz, of the tripod when tapped."""
    tripod_damping: Damping = 0.03
    """Damping ratio of the tripod."""
    tripod_start_mm: Positive = 0.1
    """mm at the subject, its swing when the park move ends."""
    card_gb: Positive | None = None
    """GB free on the card."""
    frame_mb: Positive = 10.0
    """MB of one frame on the card."""
    battery_frames: Positive | None = None
    """Frames one battery lasts."""
    battery_h: Positive | None = None
    """h one battery lasts, camera on."""

    @property
    def frame_ms(self) -> float:
        """ms from the trigger until something may move again."""
        return self.lag_ms + self.open_ms + self.margin_ms

    @property
    def open_ms(self) -> float:
        """ms the shutter is really open."""
        if self.exposure_is == "true":
            return self.exposure_ms
        return 1000 * true_shutter_s(self.exposure_ms / 1000)
