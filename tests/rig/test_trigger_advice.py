"""Advice on triggers: circuits by hand, and that following it cures what was found."""

import dataclasses
import itertools
import math
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capturehook.draw.canvas import Sheet
from capturehook.errors import CaptureHookError
from capturehook.physics import circuit
from capturehook.rig import advice as cautions
from capturehook.rig.drawings import draw_contact, draw_light, draw_opto
from capturehook.rig.light_advice import advise_light
from capturehook.rig.light_sensor import LightSensor, find_shift
from capturehook.rig.trigger_advice import OptoDrive, Socket, advise_contact, advise_opto

SAFETY = Path(__file__).parents[2] / "docs" / "safety.md"


def _codes(advice):
    return {finding.code for finding in advice.findings}


def _light(**change):
    base = {
        "covered_ohm": 50_000.0,
        "lit": ((60.0, 2000.0),),
        "fires_ohm": 1500.0,
        "quiet_ohm": 4000.0,
    }
    return advise_light(LightSensor(**{**base, **change}))


# Ohm's law by hand with Vf 1.2 V; E12 by IEC 60063.
@pytest.mark.parametrize(
    ("supply_v", "exact_ohm", "e12_ohm", "rating_w"),
    [(3.3, 420, 390, 0.125), (5, 380, 390, 0.125), (12, 1080, 1000, 0.25), (24, 2280, 2200, 0.5)],
)
def test_opto_resistor(supply_v, exact_ohm, e12_ohm, rating_w):
    advice = advise_opto(OptoDrive(supply_v=supply_v), Socket())
    assert advice.exact_ohm == pytest.approx(exact_ohm)
    assert (advice.e12_ohm, advice.rating_w) == (e12_ohm, rating_w)
    assert advice.led_ma == pytest.approx((supply_v - 1.2) / e12_ohm * 1000)
    assert not _codes(advice)


def test_opto_weak_is_cured_by_the_resistor_it_names():
    found = advise_opto(OptoDrive(supply_v=5, led_ma=2), Socket(line_ma=1.0))
    text = next(one.text for one in found.findings if one.code == "opto-weak")
    assert "4.0 mA (820 ohm)" in text  # 3.8 V/4 mA = 950 ohm, next below in E12
    assert not _codes(advise_opto(OptoDrive(supply_v=5, led_ma=3.8 / 0.82), Socket(line_ma=1.0)))


def test_opto_weak_names_no_current_that_the_led_does_not_bear():
    """16 mA through a ratio of 0.5 take 32 mA; 16 mA over (3.3 - 1.2 V)/390 ohm is 297 %."""
    found = advise_opto(OptoDrive(supply_v=3.3), Socket(line_ma=8.0))
    text = next(one.text for one in found.findings if one.code == "opto-weak")
    assert "raise the LED" not in text
    assert "at least 297 %" in text


def test_readings_too_alike_are_no_case_for_a_comparator():
    """Below sqrt(1800 x 2000) ohm, 1800 in E12, the share swings from 0.474 to 0.5 only."""
    alike = _light(covered_ohm=2000, lit=((30, 1800),), fires_ohm=1500, quiet_ohm=1900)
    text = next(one.text for one in alike.findings if one.code == "thin-rearm")
    assert "a comparator" not in text
    assert "too alike" in text


def test_pin_overload_is_cured_by_the_resistor_it_names():
    found = advise_opto(OptoDrive(supply_v=5, led_ma=10, pin_max_ma=6), Socket())
    text = next(one.text for one in found.findings if one.code == "pin-overload")
    assert "at least 680 ohm" in text  # 3.8 V/6 mA = 633 ohm, next above in E12
    assert not _codes(advise_opto(OptoDrive(supply_v=5, led_ma=3.8 / 0.68, pin_max_ma=6), Socket()))
    assert "led-overload" in _codes(advise_opto(OptoDrive(supply_v=5, led_ma=40), Socket()))


def test_output_below_the_leds_voltage_is_one_clear_error():
    with pytest.raises(CaptureHookError, match=r"supply_v: 1 V cannot light"):
        OptoDrive(supply_v=1)


def test_contact_findings():
    assert not _codes(advise_contact(Socket(open_v=3.1, line_ma=0.2)))
    assert _codes(advise_contact(Socket(open_v=12.0))) == {"socket-voltage"}
    assert _codes(advise_contact(Socket(hold_ms=60))) == {"hold-short"}
    bouncing = advise_contact(Socket(hold_ms=120), bounce_ms=30)
    assert _codes(bouncing) == {"hold-bounce", "bounce-filter"}
    assert advise_contact(Socket()).debounce_ms == pytest.approx(10)  # 10 kohm x 1 uF by hand
    assert not advise_contact(Socket()).measured


def test_case_from_practice_fires_and_rearms():
    """10 kohm covered, 100 ohm lit (common practice, no source)."""
    advice = _light(covered_ohm=10_000.0, lit=((30.0, 100.0),))
    assert (advice.fires, advice.rearms) == ("yes", "yes")
    assert advice.fires_margin == pytest.approx(15)
    assert advice.rearms_margin == pytest.approx(2.5)
    assert not _codes(advice)


@pytest.mark.parametrize(
    ("lit_ohm", "covered_ohm", "verdicts"),
    [
        (1500, 4000, ("yes", "yes")),
        (1501, 3999, ("perhaps", "perhaps")),
        (4000, 4001, ("no", "yes")),
        (100, 1500, ("yes", "no")),
    ],
)
def test_verdicts_at_the_thresholds(lit_ohm, covered_ohm, verdicts):
    advice = _light(covered_ohm=float(covered_ohm), lit=((60.0, float(lit_ohm)),))
    assert (advice.fires, advice.rearms) == verdicts


def test_designers_loop_lit_too_high_moves_closer_and_fires():
    """R ~ d^(2 gamma) with gamma 0.6 (0.7 less its tolerance): about 60 x 0.5^(1/1.2) = 33.7 mm."""
    first = _light()
    assert first.fires == "perhaps"
    assert _codes(first) == {"no-fire"}
    assert first.reach_mm == pytest.approx(60 * 0.5 ** (1 / 1.2), rel=0.01)
    for gamma in (0.6, 0.7, 0.8):  # whatever the cell really is within its tolerance, it fires
        moved = circuit.moved_ohm(2000, 60, first.reach_mm, gamma, 50_000)
        second = _light(lit=((first.reach_mm, moved - 1e-6),))
        assert second.fires == "yes"
        assert not _codes(second)


def test_two_readings_give_gamma_and_the_distance_exactly():
    near_ohm = circuit.moved_ohm(2000, 60, 40, 0.65, 50_000)
    advice = _light(lit=((60.0, 2000.0), (40.0, near_ohm)))
    assert advice.gamma_measured
    assert advice.gamma == pytest.approx(0.65)
    assert circuit.moved_ohm(2000, 60, advice.reach_mm, 0.65, 50_000) == pytest.approx(1000)


def test_panel_makes_moving_gain_less():
    """A Lambertian disc of 100 mm: from 60 mm it can gain (60^2+50^2)/50^2 = 2.44x at most."""
    small, panel = _light(), _light(panel_mm=100.0)
    assert panel.reach_mm is None or panel.reach_mm < small.reach_mm
    assert "within 5 times the panel's 100 mm" in panel.notes[0]
    assert "smaller than 7 mm" in small.notes[0]
    assert "small enough" in _light(lit=((600.0, 2000.0),), panel_mm=20.0).notes[0]


def test_readings_that_fit_no_lamp_are_one_clear_error():
    with pytest.raises(CaptureHookError, match=r"lit: 3000 ohm at 30 mm .* do not fit one lamp"):
        _light(lit=((60.0, 2000.0), (30.0, 3000.0)))


@pytest.mark.parametrize(
    ("change", "where"),
    [
        ({"covered_ohm": 1900.0}, "lit"),
        ({"fires_ohm": 5000.0}, "fires_ohm"),
        ({"lit": ()}, "lit"),
        ({"lit": ((0.0, 100.0),)}, "lit mm"),
        ({"margin": 0.5}, "margin"),
        ({"gamma": math.nan}, "gamma"),
    ],
)
def test_impossible_sensor_is_one_clear_error(change, where):
    with pytest.raises(CaptureHookError) as fault:
        _light(**change)
    assert str(fault.value.where) == where


def _by_hand(how, ohm, reading):
    return reading + ohm if how == "series" else reading * ohm / (reading + ohm)


@pytest.mark.property
@given(st.floats(50, 20_000), st.floats(1.05, 500), st.floats(200, 5000), st.floats(1, 4))
def test_shift_is_found_just_when_some_bought_resistor_gives_both_margins(
    lit_ohm, contrast, fires_ohm, gap
):
    """Brute force: every E24 value from 1 ohm to 10 Mohm, both ways round."""
    sensor = LightSensor(
        covered_ohm=lit_ohm * contrast,
        lit=((60.0, lit_ohm),),
        fires_ohm=fires_ohm,
        quiet_ohm=fires_ohm * gap,
    )
    high, low = sensor.fires_ohm / 1.5, sensor.quiet_ohm * 1.5

    def meets(how, ohm, slack):
        lit, covered = (_by_hand(how, ohm, one) for one in (lit_ohm, sensor.covered_ohm))
        return lit <= high * slack and covered * slack >= low

    good_already = lit_ohm <= high and sensor.covered_ohm >= low
    ladder = [step * 10.0**decade for decade in range(-1, 6) for step in circuit.E24]
    possible = any(meets(how, ohm, 0.9999) for how in ("series", "parallel") for ohm in ladder)
    shift = find_shift(sensor)
    if good_already:
        assert shift is None
    elif shift is None:
        assert not possible
    else:
        assert meets(shift.how, shift.ohm, 1.0001)
        assert shift.lit_ohm == pytest.approx(_by_hand(shift.how, shift.ohm, lit_ohm))


def test_resistor_beside_cures_a_lit_reading_too_high():
    found = _light(lit=((60.0, 1200.0),), quiet_ohm=1800.0)
    assert found.shift is not None
    assert found.shift.how == "parallel"
    assert "in parallel" in found.findings[0].text
    cured = _light(
        covered_ohm=found.shift.covered_ohm, lit=((60.0, found.shift.lit_ohm),), quiet_ohm=1800.0
    )
    assert not _codes(cured)


def test_resistor_in_series_cures_a_covered_reading_too_low():
    found = _light(covered_ohm=5800.0, lit=((30.0, 100.0),))
    assert found.shift is not None
    assert found.shift.how == "series"
    assert _codes(found) == {"thin-rearm"}
    cured = _light(covered_ohm=found.shift.covered_ohm, lit=((30.0, found.shift.lit_ohm),))
    assert not _codes(cured)


def test_no_resistor_can_so_a_comparator_is_named():
    """Best divider is sqrt(500 x 2000) = 1000 ohm: from 33 to 67 % of the supply, by hand."""
    found = _light(covered_ohm=2000.0, lit=((30.0, 500.0),))
    text = next(one.text for one in found.findings if one.code == "no-rearm")
    assert "1000 ohm below the sensor swings from 33 to 67 %" in text


def test_short_light_and_short_dark_are_found_and_cured():
    slow = {"lit": ((30.0, 900.0),), "rise_s": 0.3, "fall_s": 0.3}
    assert _codes(_light(**slow, light_on_s=0.15, light_off_s=0.2)) == {"light-short", "dark-short"}
    assert not _codes(_light(**slow, light_on_s=2.0, light_off_s=6.0))


def test_dark_short_is_cured_by_the_rest_it_names_and_by_no_less():
    """Re-arming counts five times the first-order time (common practice: cells creep)."""
    found = _light(lit=((30.0, 900.0),), fall_s=0.3, light_off_s=1.0)
    text = next(one.text for one in found.findings if one.code == "dark-short")
    named_s = float(text.split("rest by ")[1].split(" s")[0])
    assert named_s == pytest.approx(5 * found.rearm_s - 1.0, abs=0.006)
    assert not _codes(_light(lit=((30.0, 900.0),), fall_s=0.3, light_off_s=1.01 + named_s))
    assert _codes(_light(lit=((30.0, 900.0),), fall_s=0.3, light_off_s=0.98 + named_s))


def test_odd_gamma_is_doubted():
    found = _light(lit=((30.0, 900.0), (60.0, 1000.0)))
    assert "gamma-odd" in _codes(found)


def _texts(svg):
    root = ET.fromstring(svg)
    assert root.tag.endswith("svg")
    return [element.text for element in root.iter() if element.tag.endswith("text")]


def test_drawings_are_svg_with_the_values_on_them():
    opto = _texts(draw_opto(advise_opto(OptoDrive(supply_v=24), Socket())))
    assert "2.2 kohm, 0.5 W" in opto
    assert {"collector", "emitter", "tip: release", "sleeve: common"} <= set(opto)
    assert "only if focus is needed" in _texts(draw_contact(advise_contact(Socket())))
    light = _texts(draw_light(_light(lit=((60.0, 1200.0),), quiet_ohm=1800.0)))
    assert "lit 1.2 kohm at 60 mm" in light
    assert any(text.endswith("in parallel") for text in light)
    series = _texts(draw_light(_light(covered_ohm=5800.0, lit=((30.0, 100.0),))))
    assert any(text.endswith("in series") for text in series)


def _rests_on_tip_line(svg):
    """Horizontal runs of wire (open lines) on the line of the tip, as (left, right)."""
    for element in ET.fromstring(svg).iter():
        if not element.tag.endswith("path") or element.get("fill") != "none":
            continue
        points = _points(element.get("d"))
        if points[0] == points[-1]:
            continue  # a closed shape: a box or a ring
        for (x1, y1), (x2, y2) in itertools.pairwise(points):
            if y1 == y2 == 110:
                yield min(x1, x2), max(x1, x2)


def _points(path):
    """Of "M x y l dx dy dx dy": SVG's moveto and relative lineto."""
    start, _, steps = path[1:].partition("l")
    x, y = map(float, start.removesuffix("h0").split())
    points = [(x, y)]
    numbers = [float(one) for one in steps.split()]
    for dx, dy in zip(numbers[::2], numbers[1::2], strict=True):
        x, y = x + dx, y + dy
        points.append((round(x, 3), round(y, 3)))
    return points


def test_no_wire_runs_through_a_resistor_in_its_way():
    """A line through the box would read as a fuse, or as no resistor at all."""
    drawn = draw_light(_light(covered_ohm=5800.0, lit=((30.0, 100.0),)))
    runs = sorted(_rests_on_tip_line(drawn))
    assert runs == [(220, 300), (370, 560)]


@pytest.mark.parametrize(
    ("drawn", "advised"),
    [
        (draw_contact(advise_contact(Socket())), cautions.CONTACT),
        (draw_opto(advise_opto(OptoDrive(supply_v=5), Socket())), cautions.OPTO),
        (draw_light(_light()), cautions.LIGHT),
    ],
)
def test_drawings_carry_every_caution_within_the_sheet(drawn, advised):
    root = ET.fromstring(drawn)
    words = list(root.iter("{http://www.w3.org/2000/svg}text"))
    said = " ".join((one.text or "").removeprefix("- ") for one in words)
    assert all(caution.text in said for caution in advised)
    assert max(float(one.get("y")) for one in words) < float(root.get("height"))


def test_drawings_use_black_and_white_only():
    svg = draw_opto(advise_opto(OptoDrive(supply_v=5), Socket()))
    paints = {value for value in svg.replace("=", " ").split('"') if value.startswith("#")}
    assert paints == {"#1a1a1a", "#ffffff"}


def test_drawing_escapes_its_words():
    sheet = Sheet(100, 100, "<b> & co")
    sheet.words(0, 0, 'R < 5 & "x"')
    assert _texts(sheet.as_svg()) == ['R < 5 & "x"']


def test_every_caution_is_explained_in_the_safety_page():
    headings = {
        line.lstrip("# ").strip()
        for line in SAFETY.read_text().splitlines()
        if line.startswith("#")
    }
    assert {caution.topic for caution in cautions.ALL} <= headings


def test_every_advice_carries_its_cautions():
    contact = advise_contact(Socket())
    assert cautions.CAMERA_LINES in contact.cautions
    assert cautions.LICENSED in advise_opto(OptoDrive(supply_v=5), Socket()).cautions
    assert {cautions.UV, cautions.RESIN} <= set(_light().cautions)
    assert all(dataclasses.asdict(one)["text"].endswith(".") for one in cautions.ALL)
