"""A clip for a light sensor, and a finger over a phone's button."""

from __future__ import annotations

import math
from dataclasses import dataclass

from capturehook.errors import Finding
from capturehook.rig.advice import FIRST, UNPLUG, UV, asked, check_asked
from capturehook.rig.bracket import THREAD_MM, Box, Bracket, Hole, Size
from capturehook.rig.drive import Servo, advise_servo


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorBracket:
    """A light sensor at the edge of a lamp's frame or cover."""

    frame_mm: float = asked("Thickness of the frame it clamps (3).", 3.0, low=0.5, high=20)
    cell_mm: float = asked("Diameter of the sensor (5).", 5.0, low=2, high=15)
    tunnel_mm: float = asked("Length of the hood before it (12).", 12.0, low=3, high=60)

    def __post_init__(self) -> None:
        check_asked(self)


def sensor_bracket(wish: SensorBracket) -> Bracket:
    """A jaw with a clamp screw, and a tube that holds the sensor and keeps the room's light out.

    The tunnel looks along y; a hood of n diameters sees a cone of 2 atan(1/n).
    """
    bore, wall = wish.cell_mm + 0.3, 2.0
    outer = bore + 2 * wall
    seat = 8.0
    long = wish.tunnel_mm + seat
    jaw, deep, wide = 4.0, 14.0, max(outer, 14.0)
    mouth = wish.frame_mm + 0.6
    boxes = (
        Box((0, 0, 0), (wide, long, outer)),
        Box((0, 0, outer - 0.01), (wide, deep + jaw, mouth + jaw + 0.01)),
    )
    cuts = (
        Box((-1, jaw, outer), (wide + 2, deep + 1, mouth)),
        Box((wide / 2 - 1.8, long - 5, -1), (3.6, 1.8, outer + 1)),
    )
    holes = (
        Hole((wide / 2, -0.5, outer / 2), bore, "y", long + 1),
        Hole((wide / 2, jaw + deep / 2, outer + mouth - 0.5), THREAD_MM["M3"], "z", jaw + 1),
    )
    angle = math.degrees(2 * math.atan(bore / wish.tunnel_mm))
    return Bracket(
        kind="sensor",
        boxes=boxes,
        cuts=cuts,
        holes=holes,
        sizes=(
            Size((0, 0), (0, long), f"{long:g}"),
            Size((0, max(long, deep + jaw)), (wide, max(long, deep + jaw)), f"{wide:g}"),
            Size((wish.tunnel_mm, 0), (0, 0), f"hood {wish.tunnel_mm:g}", in_cut=True),
            Size((0, outer / 2 - bore / 2), (0, outer / 2 + bore / 2), f"{bore:g}", in_cut=True),
            Size((deep + jaw, outer + mouth), (deep + jaw, outer), f"jaw {mouth:g}", in_cut=True),
            Size(
                (jaw, outer + mouth + jaw),
                (jaw + deep, outer + mouth + jaw),
                f"{deep:g} deep",
                in_cut=True,
            ),
        ),
        cut_x_mm=wide / 2,
        turn_deg=(0, 90),
        facts={
            "bore": f"{bore:g} mm for a sensor of {wish.cell_mm:g} mm, wall {wall:g}",
            "hood": f"{wish.tunnel_mm:g} mm: it sees {angle:.0f} degrees",
            "jaw": f"{mouth:.1f} mm for a frame of {wish.frame_mm:g}, {deep:g} mm deep",
        },
        hardware=(
            "1 screw M3 x 10, its tip rounded: it cuts its own thread and clamps",
            "1 cable tie of 2.5 mm before the sensor's joints",
            "black tape over the sensor's back",
        ),
        steps=(
            "Print it in black as it lies in the file, on its side, 3 walls; no support.",
            "Sensor into the bore, 8 mm deep from its rear; tape behind it, tie the cable.",
            "Clamp it on the lamp's frame beside the vat, never above it; the tunnel looks at the "
            "lamp's edge, not at the image. The cover must still close.",
            "Read it lit and dark in its place, then `trigger light` or `trigger light-off`.",
        ),
        profile=("[resin.sensor]", 'edge = "light-on"', "delay_ms = 0"),
        numbers={"bore_mm": bore, "angle_deg": angle, "mouth_mm": mouth},
        cautions=(FIRST, UNPLUG, UV),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class TapperBracket:
    """A servo over the button at a phone's edge."""

    phone_mm: float = asked("Thickness of the phone, case included (9).", 9.0, low=4, high=25)
    servo_long_mm: float = asked("Length of the servo's body (22.8).", 22.8, low=10, high=60)
    servo_wide_mm: float = asked("Width of the servo's body (12.4).", 12.4, low=5, high=40)
    flange_mm: float = asked("Between the servo's screws (28).", 28.0, low=15, high=80)
    horn_mm: float = asked("Length of its horn (15).", 15.0, low=13, high=40)
    push_mm: float = asked("How far the button goes in (1.5).", 1.5, low=0.2, high=10)

    def __post_init__(self) -> None:
        check_asked(self)


def tapper_bracket(wish: TapperBracket) -> Bracket:
    """A channel that clamps on the phone's edge, a window at the button, a plate for the servo.

    x along the phone's edge, the button at x = 0; y away from the phone; z its thickness. The
    horn turns about an axis along z and presses towards lower y through the window.
    """
    web, jaw, deep, long = 4.0, 4.0, 18.0, 60.0
    mouth = wish.phone_mm + 0.8
    high = mouth + 2 * jaw
    body_x, body_y = wish.servo_long_mm, wish.servo_wide_mm
    axis_y = web + 1.0 + body_y / 2
    start_x = -wish.horn_mm * math.cos(math.asin(min(0.95, (axis_y - 1.0) / wish.horn_mm)))
    rest_deg = math.degrees(math.asin(min(0.95, (axis_y - 1.0) / wish.horn_mm)))
    press = (axis_y - 1.0 + wish.push_mm) / wish.horn_mm
    findings = []
    if press > 0.98:
        text = (
            f"a horn of {wish.horn_mm:g} mm does not reach {axis_y + wish.push_mm:.1f} mm: take "
            f"one of {math.ceil((axis_y + wish.push_mm) / 0.95)} mm"
        )
        findings.append(Finding("horn-short", "horn", text))
    press_deg = math.degrees(math.asin(min(1.0, press)))
    turn = round(press_deg - rest_deg)
    plate_y = body_y + 3.0 + 4.0
    left = min(-long / 2, start_x - body_x - 8)
    boxes = (
        Box((left, -deep, 0), (long / 2 - left, deep + web, high)),
        Box((left, web - 0.01, high - jaw), (long / 2 - left, plate_y, jaw)),
    )
    shaft = 5.9  # from the end of the body to its axis, for the 22.8 class (datasheets differ)
    slot_x = start_x + shaft - body_x
    cuts = (
        Box((left - 1, -deep - 1, jaw), (long / 2 - left + 2, deep + 1, mouth)),
        Box((-7, -0.5, jaw), (14, web + 1, mouth)),
        Box((slot_x, axis_y - body_y / 2, high - jaw - 1), (body_x, body_y, jaw + 2)),
    )
    middle_x = slot_x + body_x / 2
    holes = (
        *(
            Hole(
                (middle_x + side * wish.flange_mm / 2, axis_y, high - jaw - 0.5),
                THREAD_MM["M2"], "z", jaw + 1,
            )
            for side in (-1, 1)
        ),
        *(
            Hole((x, -deep / 2, high - jaw - 0.5), THREAD_MM["M3"], "z", jaw + 1)
            for x in (left + 8, long / 2 - 8)
        ),
    )  # fmt: skip
    return Bracket(
        kind="tapper",
        boxes=boxes,
        cuts=cuts,
        holes=holes,
        sizes=(
            Size((long / 2, -deep), (left, -deep), f"{long / 2 - left:.1f}"),
            Size((long / 2, web + plate_y), (long / 2, -deep), f"{deep + web + plate_y:.1f}"),
            Size(holes[0].centre[:2], holes[1].centre[:2], f"{wish.flange_mm:g}"),
            Size((7, web), (-7, web), "window 14"),
            Size((-deep, jaw), (-deep, jaw + mouth), f"{mouth:.1f}", in_cut=True),
            Size((0, 0), (-deep, 0), f"channel {deep:g}", in_cut=True),
        ),
        cut_x_mm=10.0,  # beside the window
        turn_deg=(0, 90),
        facts={
            "channel": f"{mouth:.1f} mm for a phone of {wish.phone_mm:g}, {deep:g} mm deep",
            "servo": f"cut-out {body_x:g} x {body_y:g}, screws {wish.flange_mm:g} apart",
            "horn": f"{rest_deg:.0f} degrees at rest, {press_deg:.0f} pressed",
        },
        hardware=(
            "2 screws M2 for the servo",
            "2 screws M3 x 8 with soft tips (rubber feet): they clamp, finger-tight",
            "felt or foam of 0.4 mm where the phone touches",
            "a soft tip on the horn",
        ),
        steps=(
            "Print it as it lies in the file, on one end, 3 walls, with a brim; no support.",
            "Foam in the channel, phone in, button in the middle of the window; clamp by hand.",
            "Servo from above, its shaft down, so that the horn turns before the window.",
            "Servo off: set the horn to its rest angle. Then try the lines below by hand.",
        ),
        profile=advise_servo(Servo(press_deg=max(1, turn), horn_mm=wish.horn_mm)).profile,
        findings=tuple(findings),
        numbers={"rest_deg": rest_deg, "press_deg": press_deg, "mouth_mm": mouth},
    )
