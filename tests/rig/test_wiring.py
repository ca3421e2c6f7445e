"""Phones, relays, fingers, light-off and plates: worked cases; following the advice cures it."""

import dataclasses
import xml.etree.ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capturehook.errors import CaptureHookError
from capturehook.physics import circuit, coils
from capturehook.profile import parse_profile
from capturehook.rig import drive, light_off, phone, plate
from capturehook.rig.drawings import DRAWN, draw_wiring
from capturehook.rig.light_advice import advise_light
from capturehook.rig.light_sensor import LightSensor
from capturehook.rig.trigger_advice import OptoDrive, Socket, advise_contact, advise_opto

RELAY = drive.Relay(supply_v=24, coil_v=12, coil_ohm=960)
SOLENOID = drive.Solenoid(supply_v=12, coil_ohm=24, cont_w=1.5, pull_n=3)
OFF = light_off.LightOff(lit_ohm=900, dark_ohm=50_000, rest_s=7, next_on_s=14)
PLATE = plate.Plate(contact_mm=120, top_mm=121, axis_mm=165, speed_mm_min=180)
ALL = [
    phone.advise_phone_cable(phone.PhoneCable()),
    phone.advise_remote(phone.Remote()),
    drive.advise_relay(RELAY),
    drive.advise_solenoid(SOLENOID),
    drive.advise_servo(drive.Servo()),
    light_off.advise_light_off(OFF),
    plate.advise_plate(PLATE),
]


def codes(advice):
    return {one.code for one in advice.findings}


@pytest.mark.parametrize("wiring", ALL, ids=lambda one: one.kind)
def test_every_kind_has_numbers_order_cautions_profile_and_a_drawing(wiring):
    assert wiring.numbers and len(wiring.steps) >= 4 and len(wiring.cautions) >= 4
    assert wiring.cautions[0].topic == "What comes first"
    assert any(line.startswith("[") for line in wiring.profile)
    root = ET.fromstring(draw_wiring(wiring))
    said = [one.text or "" for one in root.iter("{http://www.w3.org/2000/svg}text")]
    assert DRAWN[wiring.kind][0] in said
    whole = " ".join(one.removeprefix("- ") for one in said)
    assert all(caution.text in whole for caution in wiring.cautions)


@pytest.mark.property
@given(st.sampled_from(sorted(phone.FUNCTIONS_OHM)), st.floats(1000, 20_000))
def test_headset_resistor_that_can_be_bought_is_within_the_specs_percent(function, mic_ohm):
    """Android headset specification: 135, 240, 470 ohm +-1 %, microphone in parallel."""
    wiring = phone.advise_phone_cable(phone.PhoneCable(function=function, mic_ohm=mic_ohm))
    want = phone.FUNCTIONS_OHM[function]
    built = wiring.numbers["built_ohm"]
    together = built * mic_ohm / (built + mic_ohm)
    assert together == pytest.approx(want, rel=0.01, abs=0.5)
    assert not codes(wiring)


def test_opto_presses_the_wrong_headset_button():
    """By the specification's bias: 0.1 V left makes 240 ohm look like 356, 0 ohm like 105."""
    up = phone.advise_phone_cable(phone.PhoneCable(by="opto"))
    assert up.numbers["seen_ohm"] == pytest.approx(356, abs=2)
    assert codes(up) == {"headset-button"}
    play = phone.advise_phone_cable(phone.PhoneCable(by="opto", function="play"))
    assert play.numbers["seen_ohm"] == pytest.approx(104.8, abs=0.1)
    assert codes(play) == {"headset-button"}
    assert not codes(phone.advise_phone_cable(phone.PhoneCable(by="photo-mos", on_ohm=10)))
    weak = phone.PhoneCable(by="photo-mos", on_ohm=25, function="play")
    assert codes(phone.advise_phone_cable(weak)) == {"headset-button"}


def test_phone_press_is_neither_short_nor_long():
    assert codes(phone.advise_phone_cable(phone.PhoneCable(hold_ms=30))) == {"phone-hold"}
    assert codes(phone.advise_phone_cable(phone.PhoneCable(hold_ms=700))) == {"phone-hold"}


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"by": "opto", "key_v": -3.0}, "polarity"),
        ({"gap_s": 300.0}, "remote-sleeps"),
        ({"key_v": 12.0}, "socket-voltage"),
        ({"hold_ms": 20.0}, "phone-hold"),
    ],
)
def test_remote_warns(change, code):
    assert codes(phone.advise_remote(dataclasses.replace(phone.Remote(), **change))) == {code}


def test_relay_on_twice_its_voltage():
    """G5V-1 12 V on 24 V: 960 ohm exactly; E12 below it is 820: 24/1780 = 13.5 mA, 108 %."""
    wiring = drive.advise_relay(RELAY)
    assert wiring.numbers["series_ohm"] == 820
    assert wiring.numbers["coil_ma"] == pytest.approx(24 / 1780 * 1000)
    assert wiring.numbers["least_hold_ms"] == pytest.approx(55.2)  # operate, bounce, camera
    assert not codes(wiring)


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"supply_v": 5.0}, "relay-weak"),
        ({"diode": "none"}, "no-diode"),
        ({"pin_max_ma": 6.0}, "pin-overload"),
        ({"hold_ms": 40.0}, "hold-short"),
        ({"contact": "silver"}, "contact-dry"),
        ({"line_ma": 150.0}, "contact-overload"),
        ({"bounce_ms": 80.0, "hold_ms": 400.0}, "relay-bounce"),
        ({"bounce_ms": 15.0, "hold_ms": 74.0}, "hold-bounce"),
    ],
)
def test_relay_warns(change, code):
    assert codes(drive.advise_relay(dataclasses.replace(RELAY, **change))) == {code}


def test_relay_lets_go_sooner_with_a_zener():
    plain = drive.advise_relay(RELAY).numbers["release_ms"]
    zener = drive.advise_relay(dataclasses.replace(RELAY, diode="zener")).numbers["release_ms"]
    assert zener < plain / 3


def test_solenoid_by_hand():
    """12 V, 24 ohm: 0.5 A, 6 W; 1.5 W for ever allow 25 %; 0.2 s each 10 s are 2 %; copper at
    +65 K leaves 63.5 % of the force."""
    wiring = drive.advise_solenoid(SOLENOID)
    numbers = wiring.numbers
    assert (numbers["coil_a"], numbers["power_w"]) == pytest.approx((0.5, 6.0))
    assert (numbers["duty"], numbers["allowed_duty"]) == pytest.approx((0.02, 0.25))
    assert numbers["hot_n"] == pytest.approx(3 * 0.6345, rel=1e-3)
    assert not codes(wiring)


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"hold_ms": 4000.0}, "coil-duty"),
        ({"need_n": 1.5}, "force-weak"),
        ({"supply_ma": 400.0}, "supply-weak"),
        ({"diode": "none"}, "no-diode"),
        ({"diode": "reversed"}, "polarity"),
    ],
)
def test_solenoid_warns(change, code):
    assert codes(drive.advise_solenoid(dataclasses.replace(SOLENOID, **change))) == {code}


def test_servo_by_hand():
    """30 degrees: 1.833 ms pulse, 60 + 20 ms; 1.8 kgf cm at 15 mm: 11.77 N stalled."""
    wiring = drive.advise_servo(drive.Servo())
    numbers = wiring.numbers
    assert numbers["pulse_us"] == pytest.approx(1833.3, abs=0.1)
    assert numbers["move_ms"] == pytest.approx(80)
    assert numbers["stall_n"] == pytest.approx(11.77, abs=0.01)
    assert not codes(wiring)
    weak = drive.advise_servo(drive.Servo(need_n=5, supply_ma=500, press_deg=120))
    assert codes(weak) == {"force-weak", "supply-weak", "servo-turn"}


@pytest.mark.property
@given(st.floats(0.3, 60), st.floats(1.2, 6), st.floats(100, 20_000), st.floats(3.5, 500))
def test_light_off_delay_is_inside_its_window_or_told(rest_s, width, lit_ohm, contrast):
    """Values that can be bought, checked by t = 1.1 R C; trimmed parts stray by 5 %."""
    wish = light_off.LightOff(
        lit_ohm=lit_ohm, dark_ohm=lit_ohm * contrast, rest_s=rest_s, next_on_s=rest_s * width + 0.5
    )
    wiring = light_off.advise_light_off(wish)
    numbers = wiring.numbers
    delay_s = 1.1 * numbers["delay_ohm"] * numbers["delay_f"]
    assert numbers["delay_s"] == pytest.approx(delay_s)
    frame_s = (120 + 250 + 100) / 1000
    inside = rest_s <= 0.95 * delay_s and 1.05 * delay_s <= wish.next_on_s - frame_s
    assert inside != bool(codes(wiring) & {"delay-window", "delay-spread"})
    assert numbers["dark_v"] < numbers["threshold_v"] < numbers["lit_v"]
    assert coils.hysteresis_v(5, 10e3, numbers["feedback_ohm"]) >= 0.0999


def test_light_off_timer_does_not_run_into_its_leak():
    """(V/3)/(10 x 0.5 uA) = 333 kohm is the most; 10 s then need 27 uF and more."""
    ohm, farad = light_off.delay_parts(10.0, 5.0)
    assert ohm <= 333.4e3 and farad >= 27e-6


def test_untrimmed_delay_is_told_and_trimming_cures_it():
    """+26 % and -24 % of C 20 % and R 5 %: wider than a window of 7 to 10 s."""
    tight = dataclasses.replace(OFF, next_on_s=10.0)
    assert codes(light_off.advise_light_off(dataclasses.replace(tight, timing="untrimmed"))) == {
        "delay-spread"
    }
    assert not codes(light_off.advise_light_off(tight))
    none = dataclasses.replace(OFF, next_on_s=7.2)
    assert codes(light_off.advise_light_off(none)) == {"delay-window"}
    with pytest.raises(CaptureHookError, match="Check which reading"):
        dataclasses.replace(OFF, dark_ohm=800)


def test_plate_closes_before_it_has_settled_by_the_delay_told():
    """1 mm at 3 mm/s: 0.333 s before the top; 1 s of settling, 0.12 s of lag: 1.213 s."""
    wiring = plate.advise_plate(PLATE)
    assert wiring.numbers["closes_early_s"] == pytest.approx(1 / 3)
    assert wiring.numbers["delay_s"] == pytest.approx(1.2133, abs=1e-4)
    assert codes(wiring) == {"plate-early"}
    late = dataclasses.replace(PLATE, lag_ms=120 + 1214)
    assert not codes(plate.advise_plate(late))


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"top_mm": 121.15}, "plate-deep"),
        ({"top_mm": 120.5}, "plate-shallow"),
        ({"axis_mm": 123.0}, "plate-end"),
        ({"rise_mm": 40.0}, "plate-rises"),
    ],
)
def test_plate_warns(change, code):
    quiet = dataclasses.replace(PLATE, lag_ms=1400)
    assert codes(plate.advise_plate(dataclasses.replace(quiet, **change))) == {code}


def test_contact_material_current_and_filter():
    assert codes(advise_contact(Socket(), contact="silver")) == {"contact-dry"}
    assert codes(advise_contact(Socket(line_ma=200.0))) == {"contact-overload"}
    slow = advise_contact(Socket(hold_ms=400), bounce_ms=20)
    assert codes(slow) == {"bounce-filter"}
    assert "2 uF" in slow.findings[0].text  # 20 ms / 10 kohm


def test_reversed_socket_is_told():
    assert codes(advise_opto(OptoDrive(supply_v=5), Socket(open_v=-3.1))) == {"polarity"}
    assert codes(advise_contact(Socket(open_v=-12.0))) == {"socket-voltage"}


def test_light_sensor_obeys_the_profiles_edge():
    sensor = LightSensor(covered_ohm=10_000, lit=((30.0, 100.0),), fires_ohm=1500, quiet_ohm=4000)
    assert not codes(advise_light(sensor))
    assert codes(advise_light(sensor, "light-off")) == {"light-edge"}


@pytest.mark.parametrize(
    "wiring", [one for one in ALL if one.kind in ("light-off", "plate")], ids=lambda one: one.kind
)
def test_profile_lines_are_keys_the_profile_knows(wiring):
    head = """schema = 1
name = "tern"
[machine]
firmware = "marlin"
x_mm = [0, 100]
y_mm = [0, 100]
z_mm = [0, 165]
[park]
x_mm = 1
y_mm = 1
[trigger]
fired_by = "sensor"
"""
    assert parse_profile(head + "\n".join(wiring.profile), "tern.toml").resin is not None


@pytest.mark.parametrize("by", ["contact", "relay"])
def test_phone_lines_fit_a_switch_of_the_head_and_an_output(by):
    """A hold of 100 ms under a lag of 300 is a fault where the head presses: it would move."""
    head = """schema = 1
name = "heron"
[machine]
firmware = "marlin"
x_mm = [0, 235]
y_mm = [0, 235]
z_mm = [0, 250]
[park]
x_mm = 200
y_mm = 200
"""
    more = "x_mm = 228" if by == "contact" else "pin = 4"
    for wiring in (
        phone.advise_phone_cable(phone.PhoneCable(by=by)),
        phone.advise_remote(phone.Remote(by=by)),
    ):
        lines = "\n".join(wiring.profile).replace("[trigger]", f"[trigger]\n{more}")
        assert parse_profile(head + lines, "heron.toml").camera.lag_ms >= 300


def test_preferred_pair_beats_one_value():
    assert sum(phone.best_pair_ohm(252.1)) == pytest.approx(252.1, abs=0.6)
    assert circuit.preferred_ohm(252.1, circuit.E24) == 240


@pytest.mark.parametrize("bad", [{"by": "wire"}, {"mic_ohm": 10.0}, {"hold_ms": float("nan")}])
def test_a_figure_without_meaning_is_one_clear_error(bad):
    with pytest.raises(CaptureHookError) as fault:
        phone.PhoneCable(**bad)
    assert str(fault.value.where) == next(iter(bad))
