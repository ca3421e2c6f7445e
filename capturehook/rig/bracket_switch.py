"""A yielding mount for the switch that the carriage presses."""

from __future__ import annotations

import math
from dataclasses import dataclass

from capturehook.errors import CaptureHookError, Finding
from capturehook.physics import beams
from capturehook.rig.advice import asked, check_asked
from capturehook.rig.bracket import CLEARANCE_MM, THREAD_MM, Box, Bracket, Hole, Point, Size

MATERIALS = {"PETG": (2000.0, 0.01), "PLA": (3000.0, 0.007)}
"""(E in MPa, strain for thousands of presses). E: additive.tools, PMC10113796 (soft end);
strain: a third of one-time snap limits (common practice)."""
PRELOAD = 1.5
"""The leaf rests at this many times the operating force (common practice)."""
THRUST_SHARE = 0.2
"""Of the moving axis' thrust that the bracket may push back with (common practice)."""
LINE_MM = 0.4
SLIDE_MM = 10.0
"""Length of the slots for adjustment."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchClass:
    """Figures of a class of snap-action switches with one actuator."""

    body_mm: Point
    """Length (along the holes), height, width."""
    pitch_mm: float
    screw: str
    operate_mm: float
    """From the line of the holes to where it operates (OP)."""
    pretravel_mm: float
    overtravel_mm: float
    differential_mm: float
    force_n: float
    least_mm_s: float


SWITCHES = {
    "12.8-pin": SwitchClass(
        body_mm=(12.8, 6.5, 5.8), pitch_mm=6.5, screw="M2", operate_mm=5.5, pretravel_mm=0.5,
        overtravel_mm=0.25, differential_mm=0.12, force_n=1.47, least_mm_s=1.0,
    ),
    "12.8-lever": SwitchClass(
        body_mm=(12.8, 6.5, 5.8), pitch_mm=6.5, screw="M2", operate_mm=6.8, pretravel_mm=3.2,
        overtravel_mm=0.55, differential_mm=0.5, force_n=0.78, least_mm_s=5.0,
    ),
    "19.8-pin": SwitchClass(
        body_mm=(19.8, 10.2, 6.4), pitch_mm=9.5, screw="M2", operate_mm=8.4, pretravel_mm=0.5,
        overtravel_mm=0.5, differential_mm=0.1, force_n=1.47, least_mm_s=0.1,
    ),
    "19.8-lever": SwitchClass(
        body_mm=(19.8, 10.2, 6.4), pitch_mm=9.5, screw="M2", operate_mm=8.8, pretravel_mm=2.8,
        overtravel_mm=1.2, differential_mm=0.8, force_n=0.49, least_mm_s=0.1,
    ),
}  # fmt: skip
"""Datasheets of the Omron D2F and SS families and of Panasonic AV3 (pretravel of levers)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchBracket:
    """Where the switch sits and what may push it."""

    switch: str = asked("Class of switch and actuator.", "19.8-lever", choices=tuple(SWITCHES))
    material: str = asked("What it is printed in.", "PETG", choices=tuple(MATERIALS))
    screw: str = asked("Screws into the extrusion.", "M4", choices=("M3", "M4", "M5"))
    pitch_mm: float = asked("Between the two mounting screws (20).", 20.0, low=12, high=60)
    overrun_mm: float = asked("How far past its place the head may come (2).", 2.0, 0.5, 10)
    thrust_n: float = asked("Thrust of the moving axis (31, a belt axis).", 31.0, 2, 500)
    thick_mm: float = asked("Height of the part as printed (8).", 8.0, low=6, high=20)

    def __post_init__(self) -> None:
        check_asked(self)


@dataclass(frozen=True, slots=True)
class Leaves:
    """Two parallel leaves: thickness, length, and how they yield."""

    thick_mm: float
    long_mm: float
    n_mm: float
    preload_n: float
    preload_mm: float
    most_n: float
    strain: float


def size_leaves(wish: SwitchBracket) -> Leaves:
    """The shortest leaves of whole printed lines that yield as asked.

    Stiffness so that preload and over-run together stay under a fifth of the axis' thrust; then
    the length follows from it, and the thickness from the strain.

    Source: guided beams (Roark), k = 2 E b h^3/L^3 and strain = 3 h d/L^2, solved for h.

    Raises
    ------
    CaptureHookError
        The axis is too weak for this switch.
    """
    e_mpa, strain = MATERIALS[wish.material]
    preload_n = PRELOAD * SWITCHES[wish.switch].force_n
    room_n = 0.9 * THRUST_SHARE * wish.thrust_n - preload_n
    if room_n <= 0.2:
        raise CaptureHookError(
            "thrust_n",
            f"{wish.thrust_n:g} N is too little: a fifth of it must exceed the preload of "
            f"{preload_n:.2f} N",
            "Take a lever switch (it needs less force), or measure the axis",
        )
    k = room_n / wish.overrun_mm
    slender = (2 * e_mpa * wish.thick_mm / k) ** (1 / 3)
    bend_mm = preload_n / k + wish.overrun_mm
    thick_mm = 3 * bend_mm / (strain * slender**2)
    thick_mm = max(2, math.ceil(thick_mm / LINE_MM - 1e-9)) * LINE_MM
    long_mm = math.ceil(slender * thick_mm)
    n_mm = beams.guided_n_mm(e_mpa, wish.thick_mm, thick_mm, long_mm)
    preload_mm = preload_n / n_mm
    return Leaves(
        thick_mm,
        long_mm,
        n_mm,
        preload_n,
        preload_mm,
        preload_n + n_mm * wish.overrun_mm,
        beams.guided_strain(thick_mm, preload_mm + wish.overrun_mm, long_mm),
    )


def press_share(switch: SwitchClass, repeat_mm: float = 0.05) -> float:
    """Share of the over-travel to press: midway between the makers' 70 % and the stop less the
    spread, and not over 80 %."""
    most = 1 - repeat_mm / switch.overtravel_mm
    return round(min(0.8, (0.7 + most) / 2), 2)


def switch_bracket(wish: SwitchBracket) -> Bracket:
    """A base with two slots, two parallel leaves, a platform for the switch, and a preload screw.

    x is the direction of the press, y along the leaves, z up as printed. The carriage comes from
    lower x; the switch lies on the platform, its actuator towards lower x. A screw through the
    rear arm pulls the platform to its preload; pressed further, the platform slides off its head.
    """
    switch, leaves = SWITCHES[wish.switch], size_leaves(wish)
    high, clear = wish.thick_mm, CLEARANCE_MM[wish.screw]
    wide = 24.0  # of platform and base along x, leaves at its edges
    base_y = wish.pitch_mm + clear + 18.0  # 6 mm below the slots, 12 above for the cable ties
    platform_y = max(switch.body_mm[0], switch.pitch_mm + 2 * CLEARANCE_MM[switch.screw] + 4) + 4
    gap = leaves.preload_mm + wish.overrun_mm + 1.0
    arm = 8.0
    top = leaves.long_mm
    hole_x, middle_y = 4.0, top + platform_y / 2
    boxes = (
        Box((0, -base_y, 0), (wide + gap + arm, base_y, high)),
        Box((0, 0, 0), (leaves.thick_mm, top, high)),
        Box((wide - leaves.thick_mm, 0, 0), (leaves.thick_mm, top, high)),
        Box((0, top, 0), (wide, platform_y, high)),
        Box((wide + gap, -1, 0), (arm, top + platform_y + 1, high)),
    )
    slot_x = (wide + gap + arm) / 2
    slots = tuple(
        Hole((slot_x, clear / 2 + 6 - base_y + more, 0), clear, "z", high, SLIDE_MM)
        for more in (0.0, wish.pitch_mm)
    )
    small = CLEARANCE_MM[switch.screw]
    mounts = tuple(
        Hole((hole_x, middle_y + side * switch.pitch_mm / 2, 0), small, "z", high)
        for side in (-1, 1)
    )
    pulls = (
        Hole((wide - 12, middle_y, high / 2), THREAD_MM["M3"], "x", 12.0),
        Hole((wide + gap - 0.5, middle_y, high / 2), CLEARANCE_MM["M3"], "x", arm + 1),
    )
    ties = tuple(Box((wide / 2 - 1.8 + dx, -6, 0), (3.6, 1.8, high)) for dx in (-5.0, 5.0))
    share = press_share(switch)
    findings = []
    if leaves.long_mm > 80:
        text = f"{leaves.long_mm:g} mm of leaf: ask for less over-run, or a switch with less force"
        findings.append(Finding("bracket-long", "leaves", text))
    return Bracket(
        kind="switch",
        boxes=boxes,
        cuts=ties,
        holes=(*slots, *mounts, *pulls),
        sizes=(
            Size((0, 0), (0, top), f"{leaves.long_mm:g} x {leaves.thick_mm:g}"),
            Size((0, top + platform_y), (wide, top + platform_y), f"{wide:g}, gap {gap:.1f}"),
            Size(mounts[0].centre[:2], mounts[1].centre[:2], f"{switch.pitch_mm:g}"),
            Size(slots[0].centre[:2], slots[1].centre[:2], f"{wish.pitch_mm:g}"),
        ),
        seen="from above; the carriage comes from the left",
        facts={
            "leaves": f"two of {leaves.thick_mm:g} x {high:g} x {leaves.long_mm:g} mm",
            "stiffness": f"{leaves.n_mm:.2f} N/mm in {wish.material}, {leaves.strain:.2%} strain",
            "preload": f"{leaves.preload_n:.2f} N: pull the platform back {leaves.preload_mm:.2f} "
            "mm",
            "over-run": f"{wish.overrun_mm:g} mm push back with {leaves.most_n:.2f} N of the axis' "
            f"{wish.thrust_n:g}",
            "reach": f"the switch operates {switch.operate_mm - hole_x:.1f} mm before the part's "
            "front",
        },
        hardware=(
            f"2 screws {wish.screw} with washers and T-nuts for the extrusion's slot",
            f"2 screws {switch.screw} x {math.ceil(switch.body_mm[2] + high + 4)}, washers, nuts "
            "for the switch",
            f"1 screw M3 x {math.ceil(arm + gap + 8)} with a washer: the preload",
            "2 cable ties of 2.5 mm",
        ),
        steps=(
            "Print it flat as it lies, 4 walls, so that the leaves bend along their lines; no "
            "support.",
            "Not PLA near a bed or in an enclosure: it creeps from 55 degC on.",
            "Screw in M3 from the rear until the platform has moved by the preload told.",
            "Slide it so that the contact closes about where you want it; washers, then tighten. "
            "Then let `trial press` find the place.",
        ),
        profile=(
            "[trigger]",
            'by = "button"',
            f"pretravel_mm = {switch.pretravel_mm:g}",
            f"overtravel_mm = {switch.overtravel_mm:g}",
            f"press_share = {share:g}",
            f"differential_mm = {switch.differential_mm:g}",
            f"least_mm_s = {switch.least_mm_s:g}",
        ),
        findings=tuple(findings),
        numbers={
            "n_mm": leaves.n_mm,
            "strain": leaves.strain,
            "preload_n": leaves.preload_n,
            "preload_mm": leaves.preload_mm,
            "most_n": leaves.most_n,
            "leaf_mm": leaves.long_mm,
            "thick_mm": leaves.thick_mm,
            "depth_mm": share * switch.overtravel_mm,
        },
    )
