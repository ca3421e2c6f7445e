"""Motion in closed form: ramps at constant acceleration, and how fast a corner may be taken.

Works on single numbers and on whole arrays (numpy broadcasting). Imports nothing of ours.
Angles of a corner are INTERIOR angles, given by their cosine: -1 is straight on, 0 a right
angle, +1 a full reversal. With unit vectors before and after, it is ``-(before . after)``.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def is_reachable(
    length_mm: ArrayLike, accel_mm_s2: ArrayLike, start_mm_s: ArrayLike, end_mm_s: ArrayLike
) -> NDArray[np.bool_]:
    """Whether a length is enough to change from one speed to the other (1e-9 of slack)."""
    change = np.abs(np.square(end_mm_s) - np.square(start_mm_s))
    return np.asarray(change <= 2.0 * np.multiply(accel_mm_s2, length_mm) * (1.0 + 1e-9) + 1e-12)


def trapezoid_seconds(
    length_mm: ArrayLike,
    top_mm_s: ArrayLike,
    accel_mm_s2: ArrayLike,
    start_mm_s: ArrayLike = 0.0,
    end_mm_s: ArrayLike = 0.0,
) -> Floats:
    """Seconds of one straight run: ramp up, plateau, ramp down.

    Parameters
    ----------
    length_mm, top_mm_s, accel_mm_s2 : positive, any shapes that broadcast together
    start_mm_s, end_mm_s : speeds at both ends, at most ``top_mm_s``

    Raises
    ------
    ValueError
        An end is faster than the top, or out of reach over that length.

    Source: textbook kinematics at constant acceleration.
    """
    if not np.all(is_reachable(length_mm, accel_mm_s2, start_mm_s, end_mm_s)):
        raise ValueError("the end speed is out of reach over that length")
    if np.any(np.maximum(start_mm_s, end_mm_s) > np.multiply(top_mm_s, 1.0 + 1e-9)):
        raise ValueError("an end speed is above the top speed")
    return ramp_seconds(
        length_mm,
        np.square(top_mm_s),
        accel_mm_s2,
        np.square(start_mm_s),
        np.square(end_mm_s),
    )


def ramp_seconds(
    length_mm: ArrayLike,
    top_v2: ArrayLike,
    accel_mm_s2: ArrayLike,
    start_v2: ArrayLike,
    end_v2: ArrayLike,
) -> Floats:
    """As :func:`trapezoid_seconds`, from squared speeds (mm2/s2) and without its checks."""
    accel = np.asarray(accel_mm_s2, dtype=np.float64)
    ends = np.add(start_v2, end_v2)
    peak_v2 = np.minimum(top_v2, 0.5 * ends + np.multiply(accel, length_mm))
    peak_v2 = np.maximum(peak_v2, np.maximum(start_v2, end_v2))
    peak = np.sqrt(peak_v2)
    ramps_s = (2.0 * peak - np.sqrt(start_v2) - np.sqrt(end_v2)) / accel
    plateau_mm = np.subtract(length_mm, (peak_v2 - 0.5 * ends) / accel)
    return np.asarray(ramps_s + np.maximum(plateau_mm, 0.0) / peak)


def junction_speed(
    accel_mm_s2: ArrayLike, deviation_mm: ArrayLike, cos_interior: ArrayLike
) -> Floats:
    """Corner speed by junction deviation, mm/s; infinite straight on, 0 at a reversal.

    Source: the cornering note of the grbl project (2011), also used by Marlin:
    v^2 = a delta sin(th/2) / (1 - sin(th/2)), th the interior angle.
    """
    half_sine, _ = _half_angle(cos_interior)
    gap = 1.0 - half_sine
    with np.errstate(divide="ignore"):
        squared = np.multiply(accel_mm_s2, deviation_mm) * half_sine / gap
    return np.asarray(np.sqrt(squared))


def corner_deviation(corner_mm_s: ArrayLike, accel_mm_s2: ArrayLike) -> Floats:
    """Junction deviation (mm) that takes a right angle at ``corner_mm_s``.

    Source: square-corner form of the Klipper documentation, delta = v^2 (sqrt 2 - 1) / a.
    """
    return np.asarray(np.square(corner_mm_s) * (np.sqrt(2.0) - 1.0) / accel_mm_s2)


def mid_move_speed(length_mm: ArrayLike, accel_mm_s2: ArrayLike, cos_interior: ArrayLike) -> Floats:
    """Corner speed at which the rounding circle touches a move at its middle, mm/s.

    Source: Klipper toolhead, v^2 <= a d tan(th/2) / 2 for both neighbours of a corner.
    """
    half_sine, half_cosine = _half_angle(cos_interior)
    with np.errstate(divide="ignore"):
        tangent = half_sine / half_cosine
    return np.asarray(np.sqrt(0.5 * np.multiply(accel_mm_s2, length_mm) * tangent))


def facet_speed(length_mm: ArrayLike, accel_mm_s2: ArrayLike, cos_interior: ArrayLike) -> Floats:
    """Speed round the circle that short facets stand for, mm/s: v^2 = a r, r = d / turn.

    Source: centripetal acceleration; Marlin uses it for facets under 1 mm (from memory).
    """
    turn_rad = np.pi - np.arccos(np.clip(cos_interior, -1.0, 1.0))
    with np.errstate(divide="ignore"):
        radius_mm = np.divide(length_mm, turn_rad)
    return np.asarray(np.sqrt(np.multiply(accel_mm_s2, radius_mm)))


def arc_speed(accel_mm_s2: ArrayLike, radius_mm: ArrayLike) -> Floats:
    """Speed at which an arc needs all the acceleration there is, mm/s: sqrt(a r)."""
    return np.asarray(np.sqrt(np.multiply(accel_mm_s2, radius_mm)))


def jerk_speed(
    before: ArrayLike, after: ArrayLike, jerk_mm_s: ArrayLike, reversal_adds: bool = False
) -> Floats:
    """Corner speed by classic jerk: the largest at which no axis steps by more than its jerk.

    Parameters
    ----------
    before, after : (A, ...) share of each axis in the path's direction
    jerk_mm_s : (A,) allowed step of each axis
    reversal_adds : bool
        An axis that turns round counts with the sum of both speeds; otherwise it counts with
        the larger one, for it stops and starts again (Marlin planner, from memory).

    Returns
    -------
    (...) mm/s, infinite where nothing changes
    """
    first, second = np.asarray(before, dtype=np.float64), np.asarray(after, dtype=np.float64)
    step = np.abs(second - first)
    if not reversal_adds:
        larger = np.maximum(np.abs(first), np.abs(second))
        step = np.where(first * second < 0, larger, step)
    jerk = np.asarray(jerk_mm_s, dtype=np.float64)
    return _least_ratio(jerk, step)


def jerk_start_speed(direction: ArrayLike, jerk_mm_s: ArrayLike) -> Floats:
    """Speed to which a move may jump from rest, and stop from, mm/s: (A, ...) -> (...)."""
    share = np.abs(np.asarray(direction, dtype=np.float64))
    return _least_ratio(np.asarray(jerk_mm_s, dtype=np.float64), share)


def _half_angle(cos_interior: ArrayLike) -> tuple[Floats, Floats]:
    """sin(th/2) and cos(th/2)."""
    cosine = np.clip(cos_interior, -1.0, 1.0)
    return np.sqrt(0.5 * (1.0 - cosine)), np.sqrt(0.5 * (1.0 + cosine))


def _least_ratio(limits: Floats, shares: Floats) -> Floats:
    """min over axes of limit / share, infinite where every share is zero."""
    least: Floats = np.full(shares.shape[1:], np.inf)
    with np.errstate(divide="ignore"):
        for limit, share in zip(limits, shares, strict=True):
            least = np.minimum(least, limit / share)
    return least
