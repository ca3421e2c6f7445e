"""Both kinds of job -> light timeline, with counts and seconds worked out by hand.

Every job here is written by hand (resin_jobs.py says how).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from resin_jobs import (
    bar,
    command_text,
    settings_text,
    write_command_job,
    write_settings_job,
    write_zip,
)

from capturehook.catalog.containers.settings_zip import parse_settings
from capturehook.errors import CaptureHookError, GcodeError, LayerError
from capturehook.model.resin import ResinTable
from capturehook.model.resin_job import PHASES
from capturehook.resin.job import read_job
from capturehook.resin.lines import read_rows
from capturehook.resin.run_gcode import number_layers, timeline_of_rows

IMAGES = [bar(n % 20) for n in range(40)]


def phases(job_timeline: object) -> dict[str, float]:
    sums = job_timeline.phase_s.sum(axis=0)  # type: ignore[attr-defined]
    return {name: round(float(s), 6) for name, s in zip(PHASES, sums, strict=True) if s > 0}


def test_commands_light_then_lift_adds_up_by_hand(tmp_path: Path) -> None:
    """40 layers of 1 mm, 2 at 20 s and 38 at 2 s: light 116 s. Rests 40 x 1 s and 40 x 1.5 s.

    Lift 40 x 6 mm at 60 = 240 s, and 1 mm from 0 at 150 = 0.4 s. Retract to the next layer,
    40 x 5 mm at 150 = 80 s. End: from 41 to 115 mm at 25 = 177.6 s. Start: a 0.5 s screen test.
    """
    text = command_text(40, bottom=2, layer_mm=1.0, lift_mm=6, lifted_ms=1500, screen_test=True)
    job = read_job(write_command_job(tmp_path / "a.zip", text, IMAGES), ResinTable(startup_s=60))
    timeline = job.timeline
    assert (job.kind, len(timeline), job.findings) == ("commands", 40, ())
    assert phases(timeline) == {
        "rest_before": 40.0,
        "light": 116.0,
        "lift": 240.4,
        "rest_lifted": 60.0,
        "retract": 80.0,
    }
    assert timeline.startup_s == pytest.approx(60.5)
    assert timeline.end_s == pytest.approx(177.6)
    assert timeline.total_s == pytest.approx(60.5 + 536.4 + 177.6)
    assert len(timeline.flash_on_s) == 41
    assert timeline.flash_layer_no[:3].tolist() == [0, 1, 2]
    assert timeline.z_mm.tolist() == list(range(1, 41))
    assert timeline.lift_mm.tolist() == [6.0] * 40
    assert job.images == tuple(f"{n}.png" for n in range(1, 41))


def test_commands_lift_before_light_in_steps_adds_up_by_hand(tmp_path: Path) -> None:
    """G91 and lift first: 10 x (5 s up + 4.95 mm at 150 = 1.98 s down + 1 s rest), light 38 s."""
    text = command_text(10, bottom=1, lift_first=True, relative=True, eol="\n", tail="")
    job = read_job(write_command_job(tmp_path / "b.zip", text, IMAGES[:10]), ResinTable())
    assert phases(job.timeline) == {
        "rest_before": 10.0,
        "light": 38.0,
        "lift": 50.0,
        "retract": 19.8,
    }
    np.testing.assert_allclose(job.timeline.z_mm, np.arange(1, 11) * 0.05)
    assert job.findings == ()


LIFTS = ResinTable(moves="lift")


def test_settings_job_adds_up_by_hand(tmp_path: Path) -> None:
    """30 layers: 3 of 35 s, 10 falling between 35 and 7.5 s, 17 of 7.5 s.

    Light 105 + (10 x 7.5 + 27.5 x 5) + 127.5 = 445 s: t_k exceeds 7.5 by 27.5 (1 - k / 11),
    whose sum over k = 1..10 is 27.5 x (10 - 55 / 11) = 137.5. The rule: sla-fw, project.py.
    Cycle 9.4 s from the table, as its moves ask: 282 s.
    """
    path = write_settings_job(tmp_path / "c.zip", settings_text(printTime=727), IMAGES[:30])
    job = read_job(path, LIFTS)
    assert (job.kind, job.text_name, len(job.timeline)) == ("settings", "config.ini", 30)
    assert phases(job.timeline)["light"] == pytest.approx(445.0, abs=1e-3)
    assert job.timeline.total_s == pytest.approx(727.0, abs=1e-3)
    assert job.images[0] == "tower00000.png"
    assert job.findings == ()
    assert any("as in [resin]" in words for words in job.assumed)


def test_settings_first_layer_has_its_own_height(tmp_path: Path) -> None:
    text = settings_text(initial_layer_height=0.3, printTime=727)
    path = write_settings_job(tmp_path / "c.zip", text, IMAGES[:30])
    assert read_job(path, ResinTable()).timeline.z_mm[:3].tolist() == [0.3, 0.35, 0.4]
    assert ResinTable(first_layer_mm=0.3).first_layer_mm == 0.3


@pytest.mark.parametrize(("stated", "told"), [(727 / 1.04, False), (727 / 1.06, True)])
def test_stated_time_is_told_when_5_percent_off_and_never_scaled_to(
    tmp_path: Path, stated: float, told: bool
) -> None:
    path = write_settings_job(tmp_path / "c.zip", settings_text(printTime=stated), IMAGES[:30])
    job = read_job(path, LIFTS)
    assert job.timeline.total_s == pytest.approx(727.0, abs=1e-3)
    assert [finding.code for finding in job.findings] == ["resin-time-differs"] * told


def test_settings_that_count_other_layers_are_a_finding(tmp_path: Path) -> None:
    path = write_settings_job(tmp_path / "c.zip", settings_text(printTime=0), IMAGES[:29])
    (finding,) = read_job(path, LIFTS).findings
    assert str(finding) == (
        f"{path}: config.ini: states 30 layers, but the container holds 29 layer images "
        "[resin-layer-count]"
    )


def test_settings_with_a_gap_in_the_images_are_a_finding(tmp_path: Path) -> None:
    numbered = [(f"t{n:03d}.png", bar(n)) for n in (0, 1, 3, 4)]
    text = settings_text(numFast=4, printTime=0)
    path = write_zip(tmp_path / "c.zip", [("config.ini", text), *numbered])
    (finding,) = read_job(path, LIFTS).findings
    assert finding.text == "1 layer image(s) missing, the first is number 2"


@pytest.mark.parametrize(
    ("text", "found"),
    [
        (settings_text(expTime="long"), "config.ini: expTime: 'long' is not a number"),
        (settings_text(layerHeight=-0.05), "config.ini: layerHeight: -0.05 cannot be"),
        (settings_text(expTime=0), "config.ini: expTime: 0 cannot be"),
        (settings_text(numFade="nan"), "config.ini: numFade: nan cannot be"),
    ],
)
def test_settings_with_a_bad_number_name_the_key(tmp_path: Path, text: bytes, found: str) -> None:
    path = write_settings_job(tmp_path / "c.zip", text, IMAGES[:3])
    with pytest.raises(GcodeError) as caught:
        read_job(path, ResinTable())
    assert str(caught.value) == (
        f"{path}: {found}. Correct that line, or give the numbers by flags (see --help)."
    )


def test_settings_parser_takes_what_is_a_pair_and_skips_the_rest() -> None:
    text = "; note\n[head]\nexpTime = 7.5\r\n# expTime = 9\nempty =\nlayerHeight=0.05\nnoise\n"
    assert parse_settings(text) == {"exptime": "7.5", "empty": "", "layerheight": "0.05"}


@pytest.mark.parametrize("eol", ["\r\n", "\n", "\r"])
@pytest.mark.parametrize("tail", [";", ""])
def test_commands_read_the_same_with_any_line_end_and_tail(eol: str, tail: str) -> None:
    plain = read_rows(command_text(5), "a")
    other = read_rows(command_text(5, eol=eol, tail=tail), "a")
    np.testing.assert_array_equal(plain.kind, other.kind)
    np.testing.assert_array_equal(plain.seconds, other.seconds)
    np.testing.assert_array_equal(plain.z_mm, other.z_mm)


@pytest.mark.parametrize(("marks", "shows"), [(False, True), (False, False)])
def test_commands_without_marks_number_by_image_or_by_light(marks: bool, shows: bool) -> None:
    text = command_text(6, marks=marks, shows=shows)
    rows = read_rows(text, "a")
    layer_no, mark = number_layers(rows, "a")
    assert layer_no.max() == 6
    assert mark == ("images shown" if shows else "flashes of light")
    timeline = timeline_of_rows(rows, layer_no, ResinTable())
    assert timeline.flash_layer_no.tolist() == [1, 2, 3, 4, 5, 6]
    np.testing.assert_allclose(timeline.z_mm, np.arange(1, 7) * 0.05)


def test_commands_dimmed_lamp_and_lower_case_are_read() -> None:
    text = b";LAYER_START:0\ng0z5f60\ng00 z0.05 f150;\nm106 s128;\ng4 p2000;\nm106 s0\n"
    rows = read_rows(text, "a")
    timeline = timeline_of_rows(rows, number_layers(rows, "a")[0], ResinTable())
    assert timeline.flash_power.tolist() == [128 / 255]
    assert (timeline.flash_off_s - timeline.flash_on_s).tolist() == [2.0]
    assert timeline.z_mm.tolist() == [0.05]


def test_commands_rest_in_seconds_is_read() -> None:
    """G4 S counts seconds, P milliseconds (RepRap G-code conventions)."""
    assert read_rows(b"G4 S3;\nG4 P250;\n", "a").seconds.tolist() == [3.0, 0.25]


@pytest.mark.parametrize(
    ("text", "code"),
    [
        (command_text(3) + b"M106 S255;\n", "resin-lamp-left-on"),
        (command_text(3).replace(b";totalLayer:3", b";totalLayer:9"), "resin-layer-count"),
        (command_text(3).replace(b";currPos:0.100", b";currPos:0.300"), "resin-height-tag"),
        (command_text(3).replace(b'"2.png"', b'"7.png"'), "resin-image-missing"),
        (command_text(3).replace(b"G4 P20000;\r\n", b"", 1), ""),
        (
            command_text(3, normal_ms=2000).replace(b"M106 S255;", b"M106 S0;", 1),
            "resin-dark-layer",
        ),
    ],
)
def test_commands_that_contradict_themselves_are_findings(
    tmp_path: Path, text: bytes, code: str
) -> None:
    job = read_job(write_command_job(tmp_path / "a.zip", text, IMAGES[:3]), ResinTable())
    assert [finding.code for finding in job.findings] == ([code] if code else [])


@pytest.mark.parametrize(
    ("text", "kind", "found"),
    [
        (
            b"G28\nG0 Z1.2.3 F60\n",
            GcodeError,
            "a:2:4: word 'Z1.2.3' is not a number",
        ),
        (b"G28\nG0 Z5 F\n", GcodeError, "a:2: moves the plate but no F word has given a speed yet"),
        (
            b"G4 P" + b"9" * 400,
            GcodeError,
            "a:1: waits for inf s",
        ),
        (b"M106 S2-5\n", GcodeError, "a:1: 'S2-5' holds a word that is not a number"),
        (b"G20\n", GcodeError, "a:1: G20 sets inches"),
        (b"G28\n\nG0 Z5\n", GcodeError, "a:3: moves the plate but no F word has given a speed yet"),
        (b"G28\nG0 Z5 F60\n", LayerError, "a: lights no layer"),
        (b"", GcodeError, "a: is empty"),
    ],
)
def test_commands_that_cannot_be_followed_are_refused(
    text: bytes, kind: type[CaptureHookError], found: str
) -> None:
    with pytest.raises(kind) as caught:
        number_layers(read_rows(text, "a"), "a")
    assert str(caught.value).startswith(found + ". ")


lines = st.lists(
    st.sampled_from(
        [b"G0 Z5 F60;", b"G0 Z0.05;", b"G1 Z-1 F5", b"G4 P100;", b"G4", b"M106 S255;", b"M106",
         b"M107", b"M106 S0;", b"G91", b"G90;", b"G92 Z3", b"G28", b"G28 X", b"G28 Z0;", b"G0 X5",
         b";LAYER_START:0", b";LAYER_END", b'M6054 "1.png";show', b"M6054 0", b";END_GCODE_BEGIN",
         b";currPos:1.0", b";currPos:.", b"G0 Z5 F", b"\xff\xfe", b"G0 Z",
         b"; capturehook pose 1 begin layer 1 z 0.050",
         b"; capturehook pose 1 end", b"N5 G0 Z9*33"]
    ),
    max_size=30,
)  # fmt: skip


@pytest.mark.property
@settings(max_examples=150, deadline=None)
@given(lines=lines, eol=st.sampled_from([b"\n", b"\r\n", b"\r"]))
def test_commands_of_any_kind_give_a_sound_timeline_or_our_error(
    lines: list[bytes], eol: bytes
) -> None:
    """Rule: phases, start-up and end hold every second of the rows, and flashes are in order."""
    try:
        rows = read_rows(eol.join(lines), "a")
        layer_no, _ = number_layers(rows, "a")
    except CaptureHookError:
        return
    timeline = timeline_of_rows(rows, layer_no, ResinTable())
    assert timeline.total_s == pytest.approx(float(rows.seconds.sum()), abs=1e-9)
    assert len(timeline.flash_on_s) == len(timeline.flash_off_s)
    assert (timeline.flash_off_s >= timeline.flash_on_s).all()
    assert np.isfinite(timeline.knot_mm).all()
