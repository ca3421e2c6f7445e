"""The circuit of each advice, drawn as SVG in ink on paper."""

from __future__ import annotations

from collections.abc import Callable

from capturehook.draw import circuit as c
from capturehook.draw.canvas import INK, Sheet
from capturehook.draw.circuit import PLUG_X, RING_Y, SLEEVE_Y, TIP_Y, ohm_text
from capturehook.rig.advice import Caution, Wiring
from capturehook.rig.light_advice import LightAdvice
from capturehook.rig.trigger_advice import ContactAdvice, OptoAdvice


def _texts(cautions: tuple[Caution, ...]) -> list[str]:
    return [one.text for one in cautions]


def draw_contact(advice: ContactAdvice) -> str:
    """Switch between sleeve and tip, the ring joined only if need be."""
    sheet = c.new_circuit("Contact switch across the release socket")
    c.plug(sheet)
    c.switch(sheet, 220, TIP_Y)
    c.wire(sheet, (250, TIP_Y), (PLUG_X, TIP_Y))
    c.wire(sheet, (190, TIP_Y), (120, TIP_Y), (120, SLEEVE_Y), (PLUG_X, SLEEVE_Y))
    c.wire(sheet, (430, TIP_Y), (430, RING_Y), (PLUG_X, RING_Y), dash=c.DASH)
    c.dot(sheet, 430, TIP_Y)
    c.text(sheet, 220, TIP_Y - 34, "normally open, small-load contacts", "middle")
    c.text(sheet, 420, RING_Y + 5, "only if focus is needed", "end")
    c.text(sheet, 130, SLEEVE_Y + 22, "common")
    foot = f"Hold it closed for {advice.socket.hold_ms:g} ms; put no voltage on any line."
    return c.finish(sheet, foot, _texts(advice.cautions))


def draw_opto(advice: OptoAdvice) -> str:
    """Output, resistor and LED on one side; the transistor as contact on the other."""
    sheet = c.new_circuit("Opto-isolator between an output and the release socket")
    c.plug(sheet)
    c.text(sheet, 24, TIP_Y - 24, f"output, {advice.drive.supply_v:g} V")
    c.wire(sheet, (40, TIP_Y), (110, TIP_Y))
    c.resistor(sheet, 110, TIP_Y, 60, f"{ohm_text(advice.e12_ohm)}, {advice.rating_w:g} W")
    c.wire(sheet, (170, TIP_Y), (280, TIP_Y), (280, 165))
    c.diode(sheet, 280, 165, lights=True)
    c.wire(sheet, (280, 215), (280, SLEEVE_Y), (40, SLEEVE_Y))
    c.text(sheet, 24, SLEEVE_Y + 22, "ground of the printer")
    c.transistor(sheet, 385, 190)
    c.wire(sheet, (410, 165), (410, TIP_Y), (PLUG_X, TIP_Y))
    c.wire(sheet, (410, 215), (410, SLEEVE_Y), (PLUG_X, SLEEVE_Y))
    c.text(sheet, 420, TIP_Y - 10, "collector")
    c.text(sheet, 420, SLEEVE_Y + 22, "emitter")
    c.isolation(sheet, 335)
    sheet.box(245, 140, 190, 100, stroke=INK, width=2.0, dash=c.DOTS)
    foot = (
        f"LED {advice.led_ma:.1f} mA; the output can sink {advice.sink_ma:.1f} mA, "
        f"the camera gives {advice.line_ma:g} mA."
    )
    return c.finish(sheet, foot, _texts(advice.cautions))


def draw_light(advice: LightAdvice) -> str:
    """Sensor across tip and sleeve, with the resistor that shifts it, if one is advised."""
    sheet = c.new_circuit("Light sensor across the release socket")
    c.plug(sheet)
    shift = advice.shift
    series = shift is not None and shift.how == "series"
    c.wire(sheet, (300 if series else PLUG_X, TIP_Y), (220, TIP_Y), (220, 150))
    c.wire(sheet, (220, 230), (220, SLEEVE_Y), (PLUG_X, SLEEVE_Y))
    c.box(sheet, 208, 150, 24, 80)
    c.ring(sheet, 220, 190, 52)
    c.arrow(sheet, 120, 130, 165, 160)
    c.arrow(sheet, 105, 150, 150, 180)
    c.text(sheet, 24, 122, "light of the printer")
    c.text(sheet, 24, 262, f"covered {ohm_text(advice.sensor.covered_ohm)}")
    c.text(sheet, 24, 284, f"lit {ohm_text(advice.sensor.lit_ohm)} at {advice.sensor.lit_mm:g} mm")
    if shift is not None and series:
        c.resistor(sheet, 300, TIP_Y, 70, f"{ohm_text(shift.ohm)} in series")
        c.wire(sheet, (370, TIP_Y), (PLUG_X, TIP_Y))
    elif shift is not None:
        c.standing(sheet, 360, TIP_Y, SLEEVE_Y, f"{ohm_text(shift.ohm)} in parallel")
        c.dot(sheet, 360, TIP_Y)
        c.dot(sheet, 360, SLEEVE_Y)
    foot = (
        f"Fires at {ohm_text(advice.sensor.fires_ohm)} and below, quiet at "
        f"{ohm_text(advice.sensor.quiet_ohm)} and above."
    )
    return c.finish(sheet, foot, _texts(advice.cautions))


def draw_wiring(wiring: Wiring) -> str:
    """The circuit or the mechanism of one way of firing."""
    title, draw = DRAWN[wiring.kind]
    sheet = c.new_circuit(title)
    return c.finish(sheet, draw(sheet, wiring.numbers), _texts(wiring.cautions))


Numbers = dict[str, float]


def _phone_cable(sheet: Sheet, numbers: Numbers) -> str:
    for y, name in ((TIP_Y, "tip: left"), (150, "ring: right"), (190, "ring: ground")):
        c.ring(sheet, PLUG_X + 6, y, 6)
        c.text(sheet, PLUG_X + 20, y + 5, name)
    c.ring(sheet, PLUG_X + 6, SLEEVE_Y, 6)
    c.text(sheet, PLUG_X + 20, SLEEVE_Y + 5, "sleeve: microphone +")
    sheet.words(PLUG_X - 30, 66, "phone's 4-pole plug", 14, bold=True)
    c.wire(sheet, (PLUG_X, 190), (90, 190), (90, 230))
    c.switch(sheet, 160, 230)
    c.wire(sheet, (90, 230), (130, 230))
    c.wire(sheet, (190, 230), (260, 230))
    ohm = numbers["built_ohm"]
    if ohm:
        c.resistor(sheet, 260, 230, 90, ohm_text(ohm))
    else:
        c.wire(sheet, (260, 230), (350, 230))
    c.wire(sheet, (350, 230), (430, 230), (430, SLEEVE_Y), (PLUG_X, SLEEVE_Y))
    c.text(sheet, 160, 256, "bare contact", "middle")
    return f"The phone sees {numbers['seen_ohm']:.0f} ohm while it is closed."


def _remote(sheet: Sheet, numbers: Numbers) -> str:
    sheet.box(400, 110, 270, 170, stroke=INK, width=2.0, dash=c.DOTS)
    sheet.words(535, 100, "remote, opened", 14, "middle", bold=True)
    for y, name in ((160, "pad, higher"), (230, "pad, lower")):
        c.ring(sheet, 430, y, 8)
        c.text(sheet, 446, y + 5, name)
    c.box(sheet, 580, 170, 70, 50, "cell 3 V")
    c.wire(sheet, (422, 160), (250, 160))
    c.wire(sheet, (422, 230), (250, 230))
    c.wire(sheet, (250, 160), (250, 180))
    c.wire(sheet, (250, 210), (250, 230))
    c.wire(sheet, (250, 180), (228, 206))
    c.ring(sheet, 250, 180, 4)
    c.ring(sheet, 250, 210, 4)
    c.text(sheet, 40, 190, "switch, relay contact,")
    c.text(sheet, 40, 210, "or isolator: collector")
    c.text(sheet, 40, 230, "to the higher pad")
    return f"The key carries {numbers['key_ma']:.3f} mA; tie the wires down."


def _coil(sheet: Sheet, x: float, name: str) -> None:
    """A coil from (x, 110) to (x, 270) with its diode 70 to the left, bar up."""
    c.wire(sheet, (x, TIP_Y), (x, 160))
    c.box(sheet, x - 18, 160, 36, 60)
    c.text(sheet, x + 26, 195, name)
    c.wire(sheet, (x, 220), (x, SLEEVE_Y))
    c.wire(sheet, (x, TIP_Y), (x - 70, TIP_Y), (x - 70, 165))
    c.diode(sheet, x - 70, 165, up=True)
    c.wire(sheet, (x - 70, 215), (x - 70, SLEEVE_Y), (x, SLEEVE_Y))
    c.dot(sheet, x, TIP_Y)
    c.dot(sheet, x, SLEEVE_Y)


def _relay(sheet: Sheet, numbers: Numbers) -> str:
    c.plug(sheet, ring_used=False)
    c.text(sheet, 24, TIP_Y - 24, "plus")
    c.wire(sheet, (30, TIP_Y), (60, TIP_Y))
    ohm = numbers["series_ohm"]
    if ohm:
        c.resistor(sheet, 60, TIP_Y, 60, ohm_text(ohm))
    else:
        c.wire(sheet, (60, TIP_Y), (120, TIP_Y))
    c.wire(sheet, (120, TIP_Y), (240, TIP_Y))
    _coil(sheet, 240, "coil")
    c.wire(sheet, (170, SLEEVE_Y), (30, SLEEVE_Y))
    c.text(sheet, 24, SLEEVE_Y + 22, "output (switches minus)")
    c.isolation(sheet, 345)
    c.wire(sheet, (PLUG_X, TIP_Y), (460, TIP_Y), (460, 170))
    c.wire(sheet, (460, 210), (460, SLEEVE_Y), (PLUG_X, SLEEVE_Y))
    c.ring(sheet, 460, 174, 4)
    c.ring(sheet, 460, 206, 4)
    c.wire(sheet, (460, 206), (436, 178))
    c.text(sheet, 474, 195, "relay contact")
    return (
        f"Coil {numbers['coil_ma']:.1f} mA; adds {numbers['lag_ms']:.1f} ms; hold "
        f"{numbers['least_hold_ms']:.0f} ms or more. Bar of the diode to plus."
    )


def _solenoid(sheet: Sheet, numbers: Numbers) -> str:
    c.text(sheet, 24, TIP_Y - 24, "plus, its own supply, fused")
    c.wire(sheet, (30, TIP_Y), (60, TIP_Y))
    c.box(sheet, 60, TIP_Y - 8, 50, 16)
    c.text(sheet, 85, TIP_Y + 28, "fuse", "middle")
    c.wire(sheet, (110, TIP_Y), (260, TIP_Y))
    _coil(sheet, 260, f"coil, {numbers['coil_a']:.2f} A")
    c.wire(sheet, (260, SLEEVE_Y), (260, 290), (420, 290))
    c.box(sheet, 420, 260, 110, 60, "N-MOSFET")
    c.wire(sheet, (475, 320), (475, 345), (560, 345))
    c.text(sheet, 566, 350, "minus")
    c.wire(sheet, (530, 290), (560, 290))
    c.resistor(sheet, 560, 290, 60, "100 to 220 ohm")
    c.wire(sheet, (620, 290), (690, 290))
    c.text(sheet, 640, 278, "output")
    c.box(sheet, 430, 120, 110, 40, "plunger")
    c.arrow(sheet, 540, 140, 590, 140)
    c.box(sheet, 600, 110, 14, 60)
    c.text(sheet, 500, 190, "spring, soft tip; last 2 to 4 mm", "middle")
    return (
        f"{numbers['duty'] * 100:.1f} % on, {numbers['allowed_duty'] * 100:.0f} % allowed; "
        f"{numbers['hot_n']:.2f} N when hot."
    )


def _servo(sheet: Sheet, numbers: Numbers) -> str:
    c.box(sheet, 60, 130, 130, 90, "servo")
    c.ring(sheet, 190, 175, 10)
    c.wire(sheet, (190, 175), (330, 130))
    c.wire(sheet, (190, 175), (335, 190), dash=c.DASH)
    c.text(sheet, 250, 120, f"stroke {numbers['stroke_mm']:.1f} mm", "middle")
    c.ring(sheet, 336, 200, 8)
    c.box(sheet, 300, 214, 120, 16)
    c.text(sheet, 430, 227, "button or glass")
    c.text(sheet, 350, 190, "soft tip")
    for y, name in ((250, "5 V, 1 A of its own"), (275, "ground, joined"), (300, "signal")):
        c.wire(sheet, (90, y), (200, y))
        c.text(sheet, 208, y + 5, name)
    c.wire(sheet, (90, 220), (90, 300))
    return (
        f"1500 us off, {numbers['pulse_us']:.0f} us on; {numbers['move_ms']:.0f} ms; "
        f"{numbers['stall_n']:.1f} N stalled."
    )


def _light_off(sheet: Sheet, numbers: Numbers) -> str:
    c.text(sheet, 24, 84, "plus")
    c.wire(sheet, (60, 80), (560, 80))
    c.box(sheet, 48, 96, 24, 56)
    c.ring(sheet, 60, 124, 34)
    c.wire(sheet, (60, 80), (60, 96))
    c.wire(sheet, (60, 152), (60, 176))
    c.text(sheet, 100, 112, "cell")
    c.box(sheet, 50, 200, 20, 60)
    c.wire(sheet, (60, 176), (60, 200))
    c.wire(sheet, (60, 260), (60, 300))
    c.text(sheet, 78, 240, ohm_text(numbers["fixed_ohm"]))
    c.wire(sheet, (60, 300), (560, 300))
    c.text(sheet, 24, 322, "ground")
    c.dot(sheet, 60, 176)
    c.wire(sheet, (60, 176), (150, 176))
    for x, name, below in (
        (150, "comparator", f"{numbers['threshold_v']:.2f} V, {ohm_text(numbers['feedback_ohm'])}"),
        (290, "timer 1", f"{ohm_text(numbers['delay_ohm'])}, {numbers['delay_f'] * 1e6:g} uF"),
        (430, "timer 2", f"{numbers['pulse_ms']:.0f} ms"),
    ):
        c.box(sheet, x, 150, 100, 52, name)
        sheet.words(x + 50, 222, below, 12, "middle")
    c.arrow(sheet, 250, 176, 290, 176)
    c.arrow(sheet, 390, 176, 430, 176)
    sheet.words(270, 166, "10 nF", 12, "middle")
    sheet.words(410, 166, "10 nF", 12, "middle")
    c.arrow(sheet, 530, 176, 570, 176)
    c.box(sheet, 570, 150, 100, 52, "isolator")
    c.wire(sheet, (670, 164), (700, 164))
    c.wire(sheet, (670, 188), (700, 188))
    c.text(sheet, 690, 150, "tip", "middle")
    c.text(sheet, 690, 212, "sleeve", "middle")
    return (
        f"Delay {numbers['delay_s']:.2f} s, to lie between {numbers['window_low_s']:.2f} and "
        f"{numbers['window_high_s']:.2f} s after light-off."
    )


def _plate(sheet: Sheet, numbers: Numbers) -> str:
    c.wire(sheet, (120, 60), (120, 340))
    c.text(sheet, 60, 60, "axis")
    c.box(sheet, 120, 150, 130, 22, "arm")
    c.box(sheet, 250, 140, 200, 42, "plate at the top")
    c.arrow(sheet, 350, 250, 350, 190)
    c.box(sheet, 60, 96, 40, 36)
    c.wire(sheet, (100, 126), (150, 140))
    c.ring(sheet, 154, 142, 7)
    c.text(sheet, 160, 112, "switch, lever with roller")
    c.box(sheet, 250, 300, 200, 36, "vat")
    c.text(sheet, 480, 150, f"depth {numbers['depth_mm']:.2f} mm")
    least, most = numbers["least_depth_mm"], numbers["most_depth_mm"]
    c.text(sheet, 480, 172, f"wanted {least:.2f} to {most:.2f} mm")
    return (
        f"It closes {numbers['closes_early_s']:.2f} s before the top; a delay of "
        f"{numbers['delay_s']:.2f} s lets the plate settle."
    )


DRAWN: dict[str, tuple[str, Callable[[Sheet, Numbers], str]]] = {
    "phone-cable": ("A headset button, closed by a contact", _phone_cable),
    "remote": ("A wireless remote's key, bridged", _remote),
    "relay": ("A relay between an output and the release socket", _relay),
    "solenoid": ("A solenoid as a finger, and its driver", _solenoid),
    "servo": ("A servo as a finger", _servo),
    "light-off": ("Fires when the lamp goes off, after a delay", _light_off),
    "plate": ("The resin plate presses a switch at the top", _plate),
}
"""Kind -> title, and what draws it and tells the line below."""
