"""The circuit of each advice, drawn as SVG in ink on paper."""

from __future__ import annotations

from capturehook.draw import circuit as c
from capturehook.draw.circuit import PLUG_X, RING_Y, SLEEVE_Y, TIP_Y, ohm_text
from capturehook.rig.advice import Caution
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
    sheet.box(245, 140, 190, 100, stroke="#1a1a1a", width=2.0, dash=c.DOTS)
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
