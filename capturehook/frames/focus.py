"""How sharp a picture is: variance of the Laplacian, only to be compared with its neighbours.

Source: Pech-Pacheco and others 2000 (from memory). The value rises with texture, exposure and
noise, so it means nothing by itself.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from capturehook.frames.robust import Series, running_median

NEIGHBOURS = 9


def laplacian(grey: NDArray[np.floating]) -> NDArray[np.floating]:
    """Kernel [0 1 0; 1 -4 1; 0 1 0] where it fits: (H, W) -> (H-2, W-2)."""
    inner = grey[1:-1, 1:-1]
    around: NDArray[np.floating] = grey[:-2, 1:-1] + grey[2:, 1:-1] + grey[1:-1, :-2]
    bend: NDArray[np.floating] = around + grey[1:-1, 2:] - 4 * inner
    return bend


def sharpness(grey: NDArray[np.floating]) -> float:
    """Population variance of the Laplacian, over the squared mean so that exposure cancels."""
    mean = float(grey.mean())
    if mean <= 0:
        return 0.0
    return float(laplacian(grey).var()) / mean**2


def sharpness_ratio(scores: Series, neighbours: int = NEIGHBOURS) -> Series:
    """(F,) each score over the median of its neighbours; well under 1 is blurred."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return scores / running_median(scores, neighbours)
