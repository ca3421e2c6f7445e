"""The pictures and the data of an audit."""

import itertools
import json
import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from capturehook.audit import verdicts as v
from capturehook.audit.judge import audit_frames
from capturehook.audit.report import audit_json, summary_lines
from capturehook.audit.sheet import CORNERS, Thumbs, save_sheet, sheet_cells
from capturehook.audit.timeline import CURVE, timeline_sheet
from capturehook.draw.canvas import Words
from capturehook.errors import Finding
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
    root = ET.fromstring(timeline_sheet(audit).as_svg())
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
    root = ET.fromstring(timeline_sheet(audit).as_svg())
    words = [one.text for one in root.iter("{http://www.w3.org/2000/svg}text")]
    assert words.count("pause") == 1 and words.count("knocked") == 1
    lines = [part for part in timeline_sheet(audit).parts if getattr(part, "stroke", "") == CURVE]
    assert sorted({len(part.runs[0]) for part in lines}) == [10, 14]


def test_dark_frame_is_at_the_edge_of_the_light_scale_and_flicker_can_be_seen(tmp_path):
    shoot = make_shoot(12)
    shoot.shots[5].ev = -4.0
    shoot.write(tmp_path)
    sheet = timeline_sheet(audit_frames(load_frames([tmp_path]), shoot.plan))
    words = [part.text for part in sheet.parts if isinstance(part, Words)]
    assert min(float(text) for text in words if re.fullmatch(r"-?[0-9.]+", text)) == -2
    ends = [part for part in sheet.parts if getattr(part, "fill", "") == CURVE and is_wedge(part)]
    assert len(ends) == 1 and ends[0].tip.startswith("pict0006.jpg: -")


def is_wedge(part):
    return len(part.runs[0]) == 4


def many(audit, count, seed):
    """An audit of so many frames, every fourth with a fault and every tenth pose missing; only
    what the picture shows is made up."""
    rng = np.random.default_rng(seed)
    model, faults = audit.by_frame[3], [one for one in v.VERDICTS.values() if one is not v.MISSING]
    by_frame = tuple(
        replace(
            model,
            frame_index=k,
            name=f"pict{k:04d}.jpg",
            verdict=faults[rng.integers(len(faults))] if rng.random() < 0.25 else v.GOOD,
            flicker_ev=float(rng.normal(0, 1.0)),
            late_s=float(rng.normal(0, 3)),
        )
        for k in range(count)
    )
    by_pose = tuple(
        replace(
            audit.by_pose[3],
            pose=replace(audit.by_pose[3].pose, pose=k + 1),
            verdict=v.MISSING if rng.random() < 0.1 else v.GOOD,
        )
        for k in range(count)
    )
    t_s = np.cumsum(rng.uniform(20, 60, count))
    frames = replace(audit.frames, frames=audit.frames.frames[:1] * count, t_s=t_s)
    findings = tuple(
        Finding("pause", f"pose {k}", "stood still") for k in rng.integers(1, count, 9).tolist()
    )
    return replace(
        audit, frames=frames, by_frame=by_frame, by_pose=by_pose, expected_s=t_s, findings=findings
    )


@pytest.mark.parametrize("width", [390, 1200])
@pytest.mark.parametrize("seed", [1, 2])
def test_no_symbol_lies_on_another_with_four_hundred_frames_even_on_a_phone(faulty, width, seed):
    audit = many(faulty[0], 400, seed)
    sheet = timeline_sheet(audit, width)
    colours = {verdict.colour for verdict in v.VERDICTS.values()}
    marks = [part for part in sheet.parts if getattr(part, "fill", None) in {*colours, CURVE}]
    boxes = [(part.runs[0].min(axis=0), part.runs[0].max(axis=0)) for part in marks]
    assert len(boxes) > 100
    for k, (low, high) in enumerate(boxes):
        assert low[0] >= 0 and high[0] <= width and high[1] <= sheet.height
        for other_low, other_high in boxes[k + 1 :]:
            assert (low >= other_high - 0.5).any() or (other_low >= high - 0.5).any()
    words = [part for part in sheet.parts if isinstance(part, Words)]
    shown = sum(int(one.text) for one in words if one.size == 9)
    letters = [one for one in words if one.size == 10 and one.anchor == "middle"]
    lone = len(letters) - sum(one.size == 9 for one in words)
    quiet = (v.GOOD, v.BETWEEN)
    loud = sum(one.verdict not in quiet for one in audit.by_frame)
    missing = sum(one.verdict is v.MISSING for one in audit.by_pose)
    assert shown + lone == loud + missing  # every fault is drawn, or counted
    row = sorted((one.y, one.x) for one in words if one.size == 11 and one.text == "pause")
    assert all(b[1] - a[1] >= 60 for a, b in itertools.pairwise(row) if a[0] == b[0])


def test_timeline_without_times_counts_frames(faulty):
    audit, _ = faulty
    frames = load_frames([audit.frames.frames[0].path.parent], clock="order")
    root = ET.fromstring(timeline_sheet(audit_frames(frames, audit.plan)).as_svg())
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
