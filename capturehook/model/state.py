"""The machine just before one line: its modes, its place, its filament."""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

from capturehook.model.contracts import Firmware


@dataclass(frozen=True, slots=True)
class Modes:
    """Everything modal that changes what a motion line means.

    ``m82`` is None until the job says M82 or M83.
    """

    absolute: bool = True
    m82: bool | None = None
    inch: bool = False
    plane: int = 17
    absolute_centres: bool = False
    tool: int = 0
    motion: int | None = None
    fan: tuple[str, ...] = ()
    accel: tuple[str, ...] = ()
    coordinate_system: str = "G54"
    speed: float = 1.0
    """What feeds are multiplied by (M220)."""
    volumetric_mm: float = 0.0
    """Filament diameter while E counts mm3 (M200); 0 while it counts mm."""
    flow: float = 1.0
    """What filament is multiplied by (M221)."""

    def e_absolute(self, firmware: Firmware) -> bool:
        """Is an E word a position (True) or a step (False)?"""
        e_absolute = self.m82 if self.m82 is not None else True
        if firmware.g91_forces_relative_e:
            return e_absolute and self.absolute
        return e_absolute

    @property
    def unit_mm(self) -> float:
        return 25.4 if self.inch else 1.0

    def filament_per_unit(self, default: float) -> float:
        """mm of filament for one unit of E; ``default`` where the job does not say M200."""
        length = 1.0 / (pi * self.volumetric_mm**2 / 4) if self.volumetric_mm > 0 else default
        return length * self.flow

    def flow_alone(self, firmware: Firmware) -> float:
        """The flow factor of a move of filament alone, as a share of that of other moves."""
        return 1.0 / self.flow if firmware.factors_spare_filament else 1.0

    def e_unit(self, firmware: Firmware) -> float:
        """What an E word is multiplied by: G20 scales it on some families only."""
        return self.unit_mm if firmware.inch_scales_e else 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """Everything a block must leave as it found it, just before one line.

    ``x_mm`` ... are machine positions; ``shift_mm`` is what to take off them for the job's
    own numbers (G92). ``e_mm`` is the job's number for E. ``deficit_mm`` is how far filament
    is retracted. ``feed_mm_min`` is 0 where the job has not set one yet.
    """

    line_index: int
    x_mm: float
    y_mm: float
    z_mm: float
    shift_mm: tuple[float, float, float]
    e_mm: float
    deficit_mm: float
    fw_retracted: bool
    feed_mm_min: float
    modes: Modes
