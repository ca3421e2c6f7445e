"""How much longer the quickest layer cools because of its stop, before it is built upon.

A stop stands after its layer is done, so what a pose adds is time in which that layer cools
with the part fan as the job left it and no nozzle over it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capturehook.clock.seconds import Timetable
from capturehook.model.layers import LayerTable
from capturehook.model.moves import MoveTable
from capturehook.model.pose import Pose


@dataclass(frozen=True, slots=True, kw_only=True)
class Cooling:
    """The layer with a pose that takes least time: its number, its time, what the pose adds."""

    layer: int
    layer_s: float
    added_s: float


def layer_seconds(moves: MoveTable, layers: LayerTable, times: Timetable) -> NDArray[np.float64]:
    """(L,) time from the end of the layer before to the end of each; the first is not known."""
    ends = times.second_at(moves.line_index[layers.last_move] + 1)
    return np.concatenate(([np.nan], np.diff(ends)))[: len(layers)]


def quickest_layer(
    seconds: NDArray[np.float64], poses: Sequence[Pose], added_s: NDArray[np.float64]
) -> Cooling | None:
    """The quickest layer that is built upon after a pose; None where there is none.

    Parameters
    ----------
    seconds : (L,) time of each layer, NaN where it is not known
    poses, added_s : (P,) poses, and what each adds to the print in s
    """
    known = [
        (float(seconds[pose.layer - 1]), pose.layer, float(added))
        for pose, added in zip(poses, added_s, strict=True)
        if not pose.finished and not np.isnan(seconds[pose.layer - 1])
    ]
    if not known:
        return None
    layer_s, layer, added = min(known)
    return Cooling(layer=layer, layer_s=layer_s, added_s=added)
