"""The pictures and the data of an audit."""

import json
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from PIL import Image

from capturehook.audit import verdicts as v
from capturehook.audit.judge import audit_frames
from capturehook.audit.report import audit_json, summary_lines
from capturehook.audit.sheet import CORNERS, Thumbs, save_sheet, sheet_cells
from capturehook.audit.timeline import timeline_svg
from capturehook.frames.listing import load_frames
from tests.frames.shoot import Shot, make_shoot


@pytest.fixture(scope="module")
def faulty(tmp_path_factory):
    shoot = make_shoot(16)
    shoot.shots[5].blur = 1.5
    shoot.shots[8].carriage = (0.5, 0.2)
    shoot.shots.append(Shot(t_s=-90, grown=0))
    del shoot.shots[11]
    folder = tmp_path_factory.mktemp("card")
    shoot.write(folder)
    frames = load_frames([folder])
    thumbs = Thumbs(len(frames), frames.size_px)
    audit = audit_frames(frames, shoot.plan, on_picture=thumbs.keep)
    yield audit, thumbs
    thumbs.close()


def test_verdicts_differ_by_letter_and_shape_or_letter_not_by_colour_alone():
    letters = [verdict.letter for verdict in v.VERDICTS.values()]
    assert len(set(letters)) == len(letters)
    assert {verdict.shape for verdict in v.VERDICTS.values()} <= {*CORNERS, "dot", "ring"}


@pytest.mark.parametrize("verdict", v.VERDICTS.values(), ids=str)
def test_letter_of_a_verdict_stands_out_from_its_colour(verdict):
    """WCAG 2.2, 1.4.11: 3 to 1 for graphical objects."""
    assert v.contrast("#ffffff", "#000000") == pytest.approx(21)
    assert v.contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)  # the well-known grey
    assert v.contrast(verdict.ink, verdict.colour) >= 3


def test_sheet_has_a_cell_for_each_frame_and_each_missing_pose_in_order(faulty):
    audit, _ = faulty
    cells = sheet_cells(audit)
    assert len(cells) == 17  # 16 frames (one by hand) and one pose missing
    assert [cell.verdict.name for cell in cells if not cell.verdict.usable] == [
        "test shot",
        "blurred",
        "not parked",
        "missing",
    ]
    assert cells[12].verdict is v.MISSING and cells[12].caption == "pose 12"


def test_sheet_is_a_png_that_shows_the_frames_and_their_marks(faulty, tmp_path):
    audit, thumbs = faulty
    save_sheet(audit, thumbs, tmp_path / "sheet.png")
    with Image.open(tmp_path / "sheet.png") as picture:
        assert picture.format == "PNG"
        pixels = np.asarray(picture.convert("RGB")).astype(int)
    for verdict in (v.BLURRED, v.MISSING, v.TEST_SHOT, v.GOOD):
        colour = [int(verdict.colour[k : k + 2], 16) for k in (1, 3, 5)]
        assert (np.abs(pixels - colour).max(axis=-1) < 4).sum() > 60, verdict.name
    assert (pixels == 255).all(axis=-1).mean() < 0.5  # mostly pictures, not paper


def test_timeline_is_svg_with_a_mark_for_every_fault(faulty):
    audit, _ = faulty
    root = ET.fromstring(timeline_svg(audit))
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    titles = [one.text for one in root.iter("{http://www.w3.org/2000/svg}title")]
    assert "pose 12: missing" in titles
    assert sum(title.endswith(": blurred") for title in titles) == 1
    assert sum(title.endswith(": good") for title in titles) == 13
    letters = [one.text for one in root.iter("{http://www.w3.org/2000/svg}text")]
    assert {"B", "N", "T", "X"} <= set(letters)


def test_timeline_shows_a_pause_and_a_knock_and_draws_no_line_over_the_pause(tmp_path):
    shoot = make_shoot(24)
    for index, shot in enumerate(shoot.shots):
        shot.t_s += 3000 * (index >= 10)
        shot.dx = 5.0 * (index >= 17)
    shoot.write(tmp_path)
    audit = audit_frames(load_frames([tmp_path]), shoot.plan)
    root = ET.fromstring(timeline_svg(audit))
    words = [one.text for one in root.iter("{http://www.w3.org/2000/svg}text")]
    assert words.count("pause") == 1 and words.count("knocked") == 1
    lines = [one.get("points") for one in root.iter("{http://www.w3.org/2000/svg}polyline")]
    assert sorted({len(line.split()) for line in lines}) == [10, 14]


def test_dark_frame_is_at_the_edge_of_the_light_scale_and_flicker_can_be_seen(tmp_path):
    shoot = make_shoot(12)
    shoot.shots[5].ev = -4.0
    shoot.write(tmp_path)
    svg = timeline_svg(audit_frames(load_frames([tmp_path]), shoot.plan))
    lowest = min(float(word) for word in re.findall(r">(-?[0-9.]+)</text>", svg))
    assert lowest == -2
    assert len(re.findall(r'<path d="M[0-9. ]+l-4 -7h8z"', svg)) == 1


def test_timeline_without_times_counts_frames(faulty):
    audit, _ = faulty
    frames = load_frames([audit.frames.frames[0].path.parent], clock="order")
    root = ET.fromstring(timeline_svg(audit_frames(frames, audit.plan)))
    assert any(one.text == "frame" for one in root.iter("{http://www.w3.org/2000/svg}text"))


def test_report_is_json_without_nan_and_agrees_with_the_audit(faulty):
    audit, _ = faulty
    data = json.loads(json.dumps(audit_json(audit), allow_nan=False))
    assert data["counts"] == {
        "good": 13,
        "missing": 1,
        "test shot": 1,
        "blurred": 1,
        "not parked": 1,
    }
    assert data["filmable"] == 13 and len(data["poses"]) == 16
    assert data["poses"][11] == {
        "pose": 12,
        "layer": 12,
        "z_mm": 2.4,
        "verdict": "missing",
        "file": None,
    }
    assert data["frames"][6]["verdict"] == "blurred" and data["frames"][6]["pose"] == 6
    assert data["frames"][0]["pose"] is None and data["frames"][0]["sharp_ratio"] is None


def test_summary_is_one_short_page(faulty):
    lines = summary_lines(faulty[0])
    assert lines[0] == "16 frames for 16 poses of lighthouse.gcode"
    assert lines[-1].endswith("13 of 16 pictures are fit for it: 0.4 s at 30 frames/s")
    assert len(lines) < 12 and max(map(len, lines)) < 130
