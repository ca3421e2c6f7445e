"""`capturehook optics` as a person calls it."""

import json
import re

import pytest

from capturehook.cli.main import run

LIGHTHOUSE = ["optics", "--subject-mm", "60", "60", "120"]


def _run(argv, capsys):
    with pytest.raises(SystemExit) as ended:
        run(argv)
    out, err = capsys.readouterr()
    return ended.value.code, out, err


@pytest.fixture(autouse=True)
def _elsewhere(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


def test_optics_clean_setup_exits_0(capsys):
    code, out, err = _run([*LIGHTHOUSE, "--f-number", "13"], capsys)
    assert (code, err) == (0, "")
    assert "369 mm" in out
    assert "capturehook's own camera" in out
    assert "manual and your local codes" in out


def test_optics_finding_exits_1_and_says_what_to_change(capsys):
    code, _, err = _run([*LIGHTHOUSE, "--f-number", "4"], capsys)
    assert code == 1
    assert "close down to f/14" in err
    assert "[depth-short]" in err


def test_optics_json_holds_the_same_numbers_alone_on_stdout(capsys):
    code, out, err = _run([*LIGHTHOUSE, "--f-number", "4", "--json"], capsys)
    data = json.loads(out)
    assert (code, err, data["schema"]) == (1, "", 1)
    assert data["view"]["front_mm"] == pytest.approx(369.09, abs=0.01)
    assert [finding["code"] for finding in data["findings"]] == ["depth-short"]
    assert {"topic", "text"} == set(data["cautions"][0])


def test_optics_zero_is_a_number_not_a_missing_option(capsys):
    shake = ["--shake", "30", "0.1", "0.5", "--settle-ms", "0", "--ev100", "0", "--json"]
    _, out, _ = _run([*LIGHTHOUSE, *shake], capsys)
    data = json.loads(out)
    assert data["blur"]["settle_s"] == 0
    assert data["exposure"]["metered"]
    assert data["exposure"]["ev100"] == 0


def test_optics_reads_a_profile_and_options_come_first(capsys, tmp_path):
    (tmp_path / "capture.toml").write_text(
        'schema = 1\nname = "heron"\n[machine]\nfirmware = "marlin"\n'
        "x_mm = [0, 235]\ny_mm = [0, 235]\nz_mm = [0, 250]\n[park]\nx_mm = 8\ny_mm = 215\n"
        '[trigger]\nfired_by = "sensor"\n'
        "[camera]\nfocal_mm = 50\nf_number = 11\ndistance_mm = 700\n"
    )
    _, out, _ = _run([*LIGHTHOUSE, "--json", "--f-number", "16"], capsys)
    data = json.loads(out)
    assert (data["setup"]["focal_mm"], data["setup"]["f_number"]) == (50, 16)
    assert data["view"]["front_mm"] == 700
    _, out, _ = _run([*LIGHTHOUSE, "--json", "--fill", "0.8"], capsys)
    assert json.loads(out)["view"]["fill"][1] == pytest.approx(0.8)


@pytest.mark.parametrize(
    ("argv", "found"),
    [
        (["optics"], "Add --subject-mm"),
        ([*LIGHTHOUSE, "--shutter", "1/0"], "write 1/60 or 0.5"),
        ([*LIGHTHOUSE, "--fill", "2"], "fill: 2 is out of range"),
        ([*LIGHTHOUSE, "--iso", "1e-300"], "iso: 1e-300 is out of range"),
        ([*LIGHTHOUSE, "--shutter", "1e-300"], "exposure_s: 1e-300 is out of range"),
        ([*LIGHTHOUSE, "--mains-hz", "0.001"], "from 10 to 1000"),
        ([*LIGHTHOUSE, "--settle-ms", "inf"], "settle_ms: inf is out of range"),
        ([*LIGHTHOUSE, "--shake", "30", "1e-12", "1"], "shake damping"),
        ([*LIGHTHOUSE, "--distance-mm", "20"], "within twice the focal length"),
        ([*LIGHTHOUSE, "-p", "nowhere.toml"], "nowhere.toml"),
    ],
)
def test_optics_mistake_is_one_clear_error(argv, found, capsys):
    code, out, err = _run(argv, capsys)
    assert (code, out) == (2, "")
    assert found in err
    assert "Traceback" not in err


def test_optics_beyond_the_hyperfocal_distance_is_sharp_to_infinity(capsys):
    _, out, _ = _run(["optics", "--subject-mm", "60", "60", "120", "--focal-mm", "2"], capsys)
    assert re.search(r"sharp +\d+ mm to infinity at f/8", out)


def test_optics_formats_are_sizes_without_names(capsys):
    code, out, _ = _run(["optics", "--formats"], capsys)
    assert code == 0
    assert "43.3" in out  # diagonal of 36 x 24 mm, Pythagoras
    _, out, _ = _run(["optics", "--formats", "--json"], capsys)
    assert [36.0, 24.0] in json.loads(out)["formats_mm"]


def test_optics_help_has_an_example(capsys):
    code, out, _ = _run(["optics", "--help"], capsys)
    assert code == 0
    assert "capturehook optics --subject-mm" in out


def test_optics_takes_the_subject_from_a_job(tmp_path, capsys):
    """The built-in lighthouse is 28 mm wide at its foot (14 mm radius less half a line) and
    39.8 mm high."""
    from capturehook.demo.lighthouse import lighthouse_job

    job = tmp_path / "lighthouse.gcode"
    job.write_bytes(lighthouse_job())
    _, out, _ = _run(["optics", "--job", str(job), "-p", "heron", "--json"], capsys)
    subject = json.loads(out)["subject"]
    assert subject["width_mm"] == pytest.approx(27.5, abs=0.3)
    assert subject["depth_mm"] == pytest.approx(27.5, abs=0.3)
    assert subject["height_mm"] == pytest.approx(39.8, abs=0.3)
