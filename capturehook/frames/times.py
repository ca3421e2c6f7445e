"""Times of pictures -> one clock for all of a card: chosen, filled in, and put right.

The clock of the camera where the pictures tell it, else that of the files, else only the order
of their names.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import Finding, FrameError, counted

if TYPE_CHECKING:
    from capturehook.frames.listing import Frame

Clock = Literal["camera", "file", "order"]
ZONE_STEP_S = 900.0  # no zone or daylight rule moves a clock by less than a quarter of an hour
MOST_GUESSED = 0.2
Chosen = tuple[Clock, list[NDArray[np.float64]], float, list[Finding]]


def choose_clock(cards: list[list[Frame]], wish: Clock | None) -> Chosen:
    flat = [frame for card in cards for frame in card]
    without = sum(frame.taken is None for frame in flat)
    if wish == "camera" or (wish is None and without <= MOST_GUESSED * len(flat)):
        if without == len(flat):
            raise FrameError(
                "--clock camera", "no picture holds a capture time", "Use --clock file or order"
            )
        return _camera_clock(cards, without)
    file_times = [np.array([frame.file_s for frame in card]) for card in cards]
    if wish == "file" or (wish is None and _are_plausible(file_times)):
        text = "the pictures hold no capture time; the time of the files is used"
        warned = [] if wish else [Finding("file-times", "frames", text)]
        return "file", file_times, _file_step_s(file_times), warned
    text = (
        "neither the pictures nor the files tell when they were taken; they are taken one by one "
        "in the order of their names, so a missing frame shifts all that follow"
    )
    return "order", [], 0.0, [] if wish else [Finding("no-times", "frames", text)]


def _camera_clock(cards: list[list[Frame]], without: int) -> Chosen:
    taken = [frame.taken for card in cards for frame in card if frame.taken is not None]
    in_utc = all(one.offset_s is not None for one in taken)
    times = [np.array([_camera_s(frame, in_utc) for frame in card]) for card in cards]
    warned: list[Finding] = []
    if without:
        times = [_fill_gaps(t_s) for t_s in times]
        text = f"{counted(without, 'picture')} without a capture time: guessed from the neighbours"
        warned.append(Finding("time-guessed", "frames", text))
    parts = {one.local_s % 1.0 for one in taken}
    whole = len(taken) >= 5 and len(parts) == 1  # always the same sub-seconds tell nothing
    step_s = 1.0 if whole else max(one.step_s for one in taken)
    return "camera", times, step_s, warned


def _camera_s(frame: Frame, in_utc: bool) -> float:
    if frame.taken is None:
        return float("nan")
    return frame.taken.local_s - (frame.taken.offset_s or 0.0 if in_utc else 0.0)


def _fill_gaps(t_s: NDArray[np.float64]) -> NDArray[np.float64]:
    known = np.flatnonzero(np.isfinite(t_s))
    if len(known) == 0:
        return t_s
    place = np.arange(len(t_s), dtype=np.float64)
    filled = np.interp(place, known, t_s[known])
    step_s = float(np.median(np.diff(t_s[known]))) if len(known) > 1 else 1.0
    filled += step_s * (np.minimum(place - known[0], 0) + np.maximum(place - known[-1], 0))
    return filled


def _are_plausible(times: list[NDArray[np.float64]]) -> bool:
    """Files that were copied in one go all bear the time of the copying."""
    gaps = np.concatenate([np.diff(t_s) for t_s in times]) if times else np.empty(0)
    return len(gaps) > 0 and float(np.median(gaps)) >= 0.5 and float(np.mean(gaps < 0)) < 0.05


def _file_step_s(times: list[NDArray[np.float64]]) -> float:
    """2 s on cards formatted the usual way (common practice, no source)."""
    t_s = np.concatenate(times)
    for step_s in (2.0, 1.0):
        if (t_s % step_s == 0).all():
            return step_s
    return 0.01


def put_right(
    frames: list[Frame], t_s: NDArray[np.float64]
) -> tuple[list[Frame], NDArray[np.float64], list[Finding]]:
    """Undo clocks that were set back in mid-shoot; else trust the times over the names."""
    steps = np.diff(t_s)
    usual_s = float(np.median(steps[steps >= 0])) if (steps >= 0).any() else 0.0
    back = np.flatnonzero(steps < -ZONE_STEP_S / 2)
    jumps_s = np.round((usual_s - steps[back]) / ZONE_STEP_S) * ZONE_STEP_S
    off_s = np.abs(jumps_s - (usual_s - steps[back]))
    if len(back) == 0 or len(back) > 3 or (off_s > max(5.0, 1.5 * usual_s)).any():
        order = np.argsort(t_s, kind="stable")
        return [frames[index] for index in order], t_s[order], []
    corrected = t_s.copy()
    findings = []
    for index, jump_s in zip(back, jumps_s, strict=True):
        corrected[index + 1 :] += jump_s
        text = (
            f"the camera's clock was set back by {jump_s / 60:g} min before this frame "
            "(time zone or daylight saving); taken into account"
        )
        findings.append(Finding("clock-jump", frames[index + 1].name, text))
    order = np.argsort(corrected, kind="stable")
    return [frames[index] for index in order], corrected[order], findings
