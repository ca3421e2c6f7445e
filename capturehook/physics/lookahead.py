"""Look-ahead over a whole path at once: speeds lowered until every next one is in reach.

The recurrence u[i] = min(cap[i], u[i-1] + gain[i]) (u a squared speed, gain = 2 a d) is
sequential as written. Here it is solved by doubling: after k rounds each value has seen the
2^k before it. Only positive terms are ever added, so nothing cancels, however long the path.
Imports nothing of ours.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_SLACK = 1e-9
"""Relative difference under which two squared speeds count as one."""


def lower_to_reach(cap: Floats, gain: Floats) -> Floats:
    """Largest u with u[i] <= cap[i] and u[i] <= u[i-1] + gain[i].

    Parameters
    ----------
    cap : (K,) at least 0, may be infinite
    gain : (K,) at least 0; ``gain[0]`` is not used; infinite cuts the path in two

    Returns
    -------
    (K,) float64
    """
    reach: Floats = cap.copy()
    span, step = gain.copy(), 1
    while step < len(reach):
        through = reach[:-step] + span[step:]
        # A round that lowers nothing proves u[i] <= u[i-1] + gain[i] everywhere: done.
        if not np.any(through < reach[step:]):
            break
        np.minimum(reach[step:], through, out=reach[step:])
        span[step:] += span[:-step].copy()
        step *= 2
    return reach


def plan_speeds(
    entry_cap: Floats, exit_cap: Floats, gain: Floats, joined: NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """Fastest squared speeds at both ends of each move, all in reach of each other.

    Parameters
    ----------
    entry_cap, exit_cap : (K,) mm2/s2; ``exit_cap`` counts only where a move is not joined
    gain : (K,) 2 a d of each move
    joined : (K,) the move goes over into the next one at speed (the last one: False)

    Returns
    -------
    (K,), (K,) entry and exit, mm2/s2
    """
    over = np.where(joined, gain, np.inf)
    entry = lower_to_reach(entry_cap, np.concatenate(([np.inf], over[:-1])))
    last = np.where(joined, np.inf, exit_cap)
    entry = lower_to_reach(np.minimum(entry, last + gain)[::-1], over[::-1])[::-1]
    following = np.concatenate((entry[1:], [0.0]))
    return entry, np.where(joined, following, np.minimum(last, entry + gain))


def cruise_caps(
    entry_cap: Floats, top_v2: Floats, gain: Floats, joined: NDArray[np.bool_], ratio: float
) -> tuple[Floats, Floats, Floats]:
    """Entry, plateau and exit (mm2/s2) when short bursts of speed are held back.

    A second look-ahead with only (1 - ratio) of the acceleration finds how fast each run of
    moves gets; no move of the run may cruise faster than the tip of that gentler plan.
    Everything starts and ends at rest where not joined.

    Source: minimum cruise ratio of the Klipper toolhead, restated for whole arrays.
    """
    rest = np.zeros_like(gain)
    entry, leave = plan_speeds(entry_cap, rest, gain, joined)
    gentle_gain = gain * (1.0 - ratio)
    gentle, gentle_leave = plan_speeds(entry_cap, rest, gentle_gain, joined)
    gentle_reach = gentle_leave + gentle_gain
    rises = gentle < gentle_reach * (1.0 - _SLACK)
    falls_next = np.concatenate((~rises[1:], [False])) & joined
    is_tip = rises & ((gentle + gentle_gain > gentle_leave * (1.0 + _SLACK)) | falls_next)
    tip = _next_value(0.5 * (gentle + gentle_reach), is_tip)
    cruise = np.minimum(np.minimum(0.5 * (entry + leave + gain), top_v2), tip)
    # A move that can only slow down goes no faster than the one before it did.
    cruise = lower_to_reach(np.where(rises, cruise, entry), np.where(rises, np.inf, 0.0))
    return np.minimum(entry, cruise), cruise, np.minimum(leave, cruise)


def _next_value(values: Floats, chosen: NDArray[np.bool_]) -> Floats:
    """For each place the value at the next chosen one, itself included; infinite after all."""
    count = len(values)
    place = np.where(chosen, np.arange(count), count)
    following = np.minimum.accumulate(place[::-1])[::-1]
    return np.concatenate((values, [np.inf]))[following]
