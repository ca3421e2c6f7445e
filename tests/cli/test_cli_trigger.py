"""`capturehook trigger` as a person calls it."""

import json
import xml.etree.ElementTree as ET

import pytest

from capturehook.cli.main import run

LIGHT = ["trigger", "light", "--fires-ohm", "1500", "--quiet-ohm", "4000"]
PRACTICE = [*LIGHT, "--covered-ohm", "10000", "--lit", "30", "100"]


def _run(argv, capsys):
    with pytest.raises(SystemExit) as ended:
        run(argv)
    out, err = capsys.readouterr()
    return ended.value.code, out, err


def test_trigger_light_case_from_practice_fires(capsys):
    code, out, err = _run(PRACTICE, capsys)
    assert (code, err) == (0, "")
    assert "margin 15.00" in out
    assert "405 nm" in out
    assert "Uncured resin" in out


def test_trigger_light_too_high_says_how_far_to_move(capsys):
    code, _, err = _run([*LIGHT, "--covered-ohm", "50000", "--lit", "60", "2000"], capsys)
    assert code == 1
    assert "26 mm closer, from 60 to 34 mm" in err


def test_trigger_light_json_never_holds_infinity(capsys):
    code, out, err = _run(
        [*LIGHT, "--covered-ohm", "3000", "--lit", "60", "2000", "--json"], capsys
    )
    data = json.loads(out)
    assert (code, err) == (1, "")
    assert (data["fire_s"], data["rearm_s"]) == (None, None)
    assert {one["code"] for one in data["findings"]} == {"no-fire", "no-rearm"}


def test_trigger_opto_24_v(capsys, tmp_path):
    drawing = tmp_path / "my opto ä.svg"
    code, out, _ = _run(["trigger", "opto", "--supply-v", "24", "--drawing", str(drawing)], capsys)
    assert code == 0
    assert "take 2200 ohm" in out
    assert "0.5 W part" in out
    assert "licensed hands" in out
    assert ET.parse(drawing).getroot().tag.endswith("svg")


def test_trigger_contact_voltage_too_high_stops(capsys):
    code, _, err = _run(["trigger", "contact", "--open-v", "12"], capsys)
    assert code == 1
    assert "no plain contact socket" in err


def test_trigger_contact_hold_comes_from_the_profile(capsys, tmp_path):
    path = tmp_path / "heron.toml"
    path.write_text(
        'schema = 1\nname = "heron"\n[machine]\nfirmware = "marlin"\n'
        "x_mm = [0, 235]\ny_mm = [0, 235]\nz_mm = [0, 250]\n[park]\nx_mm = 8\ny_mm = 215\n"
        '[camera]\nmin_hold_ms = 300\n[trigger]\nfired_by = "hand"\nhold_ms = 250\n'
    )
    code, out, err = _run(["trigger", "contact", "-p", str(path)], capsys)
    assert code == 1
    assert "held 250 ms" in out
    assert "hold it for 50 ms longer" in err


@pytest.mark.parametrize(
    ("argv", "found"),
    [
        (["trigger", "opto"], "--supply-v"),
        (["trigger", "relay"], "--supply-v"),
        ([*PRACTICE, "--drawing", "circuit.png"], "does not end in .svg"),
        (["trigger", "opto", "--supply-v", "1"], "cannot light an LED"),
        ([*LIGHT, "--covered-ohm", "50", "--lit", "30", "100"], "not below the covered reading"),
        ([*PRACTICE, "--drawing", "/nowhere/at/all.svg"], "could not be written"),
        (["trigger", "contact", "--bounce-ms", "-1"], "bounce_ms: -1 is out of range"),
        (["trigger", "contact", "--line-ma", "1e-300"], "a number from 0.000001 to 1000"),
        (["trigger", "opto", "--supply-v", "24", "--ctr", "1e-9"], "from 0.01 to 100"),
        (["trigger", "opto", "--supply-v", "nan"], "supply_v: nan is out of range"),
        ([*PRACTICE, "--rise-ms", "0"], "rise_ms: 0 is out of range"),
        ([*PRACTICE, "--panel-mm", "1e-200"], "from 0.1 to 100000"),
    ],
)
def test_trigger_mistake_is_one_clear_error(argv, found, capsys):
    code, out, err = _run(argv, capsys)
    assert (code, out) == (2, "")
    assert found in err
    assert "Traceback" not in err


def test_trigger_light_without_a_least_press_is_no_fault(capsys):
    assert _run([*PRACTICE, "--min-hold-ms", "0"], capsys)[0] == 0


@pytest.mark.parametrize("kind", ["contact", "opto", "light"])
def test_trigger_help_has_an_example(kind, capsys):
    code, out, _ = _run(["trigger", kind, "--help"], capsys)
    assert code == 0
    assert f"capturehook trigger {kind} --" in out
