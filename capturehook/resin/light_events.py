"""Flashes of light -> which of them fire the camera, when, and what the camera then sees."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capturehook.model.profile import Camera
from capturehook.model.resin import Sensor
from capturehook.model.resin_job import Floats, Ints, LightTimeline

Bools = NDArray[np.bool_]

FIRES, TOO_DIM, TOO_SHORT, NOT_REARMED, CAMERA_BUSY = range(5)
OUTCOMES = (
    "fires",
    "too dim for the sensor",
    "too short for the sensor or the camera",
    "sensor still closed from the flash next to it",
    "camera still busy with the frame before",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LightEvents:
    """B flashes judged; shapes (B,).

    Attributes
    ----------
    layer_no : layer the flash belongs to; 0 before the first, -1 after the last
    outcome : FIRES, TOO_DIM, ...
    fire_s : second at which the contact closes (whether or not the camera takes it)
    plate_mm : height of the plate at the middle of the camera's exposure
    lit : the lamp is on for some of the camera's exposure
    still_s : how long the plate stays still from fire_s on
    """

    layer_no: Ints
    outcome: Ints
    fire_s: Floats
    plate_mm: Floats
    lit: Bools
    still_s: Floats

    def __len__(self) -> int:
        return len(self.outcome)

    @property
    def fires(self) -> Bools:
        """(B,) True where the camera takes a frame."""
        return np.asarray(self.outcome == FIRES)


def judge_flashes(timeline: LightTimeline, sensor: Sensor, camera: Camera) -> LightEvents:
    """What a sensor and a camera make of every flash.

    A flash is seen when it is bright enough and lasts the sensor's rise time. Flashes with
    less darkness between them than the sensor's decay time close the contact once. The
    contact must stay closed as long as the camera needs, and the camera be done with the
    frame before. (Model of a switch with rise and decay time: common practice, no source.)
    """
    length_s = timeline.flash_off_s - timeline.flash_on_s
    rise_s, decay_s = sensor.min_pulse_ms / 1000.0, sensor.rearm_ms / 1000.0
    outcome = np.full(len(length_s), FIRES, dtype=np.int64)
    outcome[length_s < rise_s] = TOO_SHORT
    outcome[timeline.flash_power < sensor.min_power] = TOO_DIM
    seen = np.flatnonzero(outcome == FIRES)
    dark_s = timeline.flash_on_s[seen[1:]] - timeline.flash_off_s[seen[:-1]]
    covered = seen[1:] if sensor.edge == "light-on" else seen[:-1]
    outcome[covered[dark_s < decay_s]] = NOT_REARMED
    closed_s = length_s - rise_s + decay_s
    outcome[(outcome == FIRES) & (closed_s < camera.min_hold_ms / 1000.0)] = TOO_SHORT
    if sensor.edge == "light-on":
        fire_s = timeline.flash_on_s + rise_s + sensor.delay_ms / 1000.0
    else:
        fire_s = timeline.flash_off_s + decay_s + sensor.delay_ms / 1000.0
    _refuse_while_busy(outcome, fire_s, camera)
    return _seen_by_camera(timeline, camera, outcome, fire_s)


def _refuse_while_busy(outcome: Ints, fire_s: Floats, camera: Camera) -> None:
    """Mark flashes that come while the camera is still busy with the last frame it took."""
    busy_s = (camera.lag_ms + camera.open_ms + camera.write_ms) / 1000.0
    free_s = -np.inf
    # A loop, since a flash counts only against the frame taken last, not the flash before it.
    for index in np.flatnonzero(outcome == FIRES).tolist():
        if fire_s[index] < free_s:
            outcome[index] = CAMERA_BUSY
        else:
            free_s = fire_s[index] + busy_s


def _seen_by_camera(
    timeline: LightTimeline, camera: Camera, outcome: Ints, fire_s: Floats
) -> LightEvents:
    opens_s = fire_s + camera.lag_ms / 1000.0
    closes_s = opens_s + camera.open_ms / 1000.0
    return LightEvents(
        layer_no=timeline.flash_layer_no,
        outcome=outcome,
        fire_s=fire_s,
        plate_mm=timeline.plate_mm((opens_s + closes_s) / 2.0),
        lit=lit_between(timeline, opens_s, closes_s),
        still_s=timeline.still_from_s(fire_s),
    )


def lit_between(timeline: LightTimeline, from_s: Floats, to_s: Floats) -> Bools:
    """True for each span in which the lamp is on at any moment; spans and result (N,)."""
    if not len(timeline.flash_on_s):
        return np.zeros(len(from_s), dtype=np.bool_)
    last = np.searchsorted(timeline.flash_on_s, to_s, side="left") - 1
    return np.asarray((last >= 0) & (timeline.flash_off_s[np.maximum(last, 0)] > from_s))
