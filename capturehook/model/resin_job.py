"""The records of a resin job: what a container states, the light timeline, the job as read."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import Finding

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

PHASES = (
    "tilt",
    "rest_before",
    "light",
    "rest_after",
    "lift",
    "rest_lifted",
    "retract",
    "wait",
    "pose",
)
"""The phases of one layer in their order; `pose` is time that pose blocks take."""
AFTER_END_S = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerCycles:
    """What lamp and plate do in each of L layers; moves in S stages, padded with 0 mm.

    Attributes
    ----------
    z_mm : (L,) height of the layer's top
    exposure_s : (L,) light
    lift_mm, lift_mm_min, retract_mm, retract_mm_min : (L, S), in the order they are made
    rest_s : (L, 4) before the light; dark before the lift; at the top; down again
    light_off_s : (L,) a light-off time, whose meaning `light_off` of the job decides
    tilt_s : (L,) tilt of the vat before the layer's light, of printers that tilt it
    """

    z_mm: Floats
    exposure_s: Floats
    lift_mm: Floats
    lift_mm_min: Floats
    retract_mm: Floats
    retract_mm_min: Floats
    rest_s: Floats
    light_off_s: Floats
    tilt_s: Floats

    def __len__(self) -> int:
        return len(self.z_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tilt:
    """A vat that tilts: seconds of a tilt down and up, with what is added for each layer.

    Attributes
    ----------
    fast_s, slow_s : the two tilts, delays included
    area_share : share of the screen above which a layer is slow
    slow_layers : how many the job counts as slow; None where it does not say
    """

    fast_s: float
    slow_s: float
    area_share: float
    slow_layers: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredJob:
    """What a container states of its layers.

    Attributes
    ----------
    kind : name in the register of containers
    evidence : what was found that made it this kind
    text_name : the member of a zip that was read; "" in a binary file
    light_off : readings of the light-off time on which sources differ, the likeliest first:
        "lift" (counted from the start of the lift), "retract" (a rest after it), "none"
    lacks : of "lift", "rests", those the container does not state
    tilt : set for printers that tilt the vat
    stated_s : print time the container states, or None
    height_mm : height of the part the container states, or None
    screen_px : pixels of the lamp's screen across and along; 0 unknown
    pitch_mm : width of one pixel; 0 unknown
    lit_px : (L,) lit pixels that the container states; NaN unknown
    images : (L,) what the kind needs to find each layer's image again: a member's name, or
        an offset and a size as text; "" for none
    """

    kind: str
    evidence: str
    cycles: LayerCycles
    bottom_layers: int
    text_name: str = ""
    light_off: tuple[str, ...] = ("lift",)
    lacks: tuple[str, ...] = ()
    tilt: Tilt | None = None
    stated_s: float | None = None
    height_mm: float | None = None
    screen_px: tuple[int, int] = (0, 0)
    pitch_mm: float = 0.0
    lit_px: Floats = field(default_factory=lambda: np.zeros(0))
    images: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LightTimeline:
    """L layers, B flashes (spans of light), K knots of the plate's height.

    Attributes
    ----------
    z_mm : (L,) height of the plate above the film while the layer is lit
    lift_mm : (L,) how far the plate rises after (or, in some jobs, before) the layer's light
    start_s : (L,) second at which the layer's cycle begins
    phase_s : (L, 9) seconds of each of PHASES
    flash_on_s, flash_off_s : (B,) seconds at which light begins and ends, rising
    flash_power : (B,) 0 to 1
    flash_layer_no : (B,) layer number from 1; 0 before the first layer, -1 after the last
    knot_s, knot_mm : (K,) the plate's height, linear between knots
    startup_s, end_s : before the first layer, and after the last one's cycle
    """

    z_mm: Floats
    lift_mm: Floats
    start_s: Floats
    phase_s: Floats
    flash_on_s: Floats
    flash_off_s: Floats
    flash_power: Floats
    flash_layer_no: Ints
    knot_s: Floats
    knot_mm: Floats
    startup_s: float
    end_s: float

    def __len__(self) -> int:
        return len(self.z_mm)

    @property
    def total_s(self) -> float:
        """Start-up + every phase of every layer + the end section."""
        return self.startup_s + float(self.phase_s.sum()) + self.end_s

    @property
    def light_s(self) -> float:
        """Seconds of light of all layers."""
        return float(self.phase_s[:, PHASES.index("light")].sum())

    @property
    def light_on_s(self) -> Floats:
        """(L,) second at which the lamp first goes on in each layer; NaN for a dark one."""
        found = np.full(len(self), np.nan)
        is_layer = self.flash_layer_no > 0
        layer = self.flash_layer_no[is_layer][::-1] - 1  # the first flash is written last
        found[layer] = self.flash_on_s[is_layer][::-1]
        return found

    @property
    def height_mm(self) -> float:
        """Height of the part: the plate at the last layer."""
        return float(self.z_mm.max(initial=0.0))

    def plate_mm(self, t_s: Floats) -> Floats:
        """Height of the plate at some seconds, same shape as ``t_s``."""
        height: Floats = np.interp(t_s, self.knot_s, self.knot_mm)
        return height

    def still_from_s(self, t_s: Floats) -> Floats:
        """How long the plate stays still from each second on (0 while it moves).

        After its last move the plate waits for its owner: counted as AFTER_END_S.
        """
        moving = np.flatnonzero(np.diff(self.knot_mm) != 0)
        after_end = max(self.total_s, float(t_s.max(initial=0.0))) + AFTER_END_S
        starts = np.append(self.knot_s[moving], after_end)
        ends = np.append(self.knot_s[moving + 1], np.inf)
        at = np.searchsorted(ends, t_s, side="right")
        return np.maximum(starts[at] - t_s, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class PoseTimes:
    """P pose blocks found in a job; shapes (P,).

    Attributes
    ----------
    layer_no : as the fence states it
    fire_s : second at which the camera is fired
    still_s : how long from then on until the plate leaves the pose
    plate_mm : height of the plate at the pose
    moves_on_s : how long it still moves after the contact of a switch has closed, else 0
    """

    layer_no: Ints
    fire_s: Floats
    still_s: Floats
    plate_mm: Floats
    moves_on_s: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class ResinJob:
    """A job as read.

    Attributes
    ----------
    kind : name in the register of containers; "numbers" without a file
    text_name : the member that was read; "" where there is none
    images : (L,) where each layer's image is; "" where none was found
    stated_s : print time that the job itself states, or None
    bracket_s : least and greatest total, where sources differ on what the job's numbers mean
    bracket_why : what they differ on
    evidence : sentences: what was found that made it this kind
    assumed : sentences: what the job leaves unsaid and the profile filled in
    poses : pose blocks found in the job
    stored : what the container states, where its layers stand in a table
    """

    path: str
    kind: str
    text_name: str
    timeline: LightTimeline
    images: tuple[str, ...]
    stated_s: float | None
    evidence: tuple[str, ...]
    assumed: tuple[str, ...]
    findings: tuple[Finding, ...] = ()
    poses: PoseTimes | None = None
    bracket_s: tuple[float, float] | None = None
    bracket_why: str = ""
    stored: StoredJob | None = None
