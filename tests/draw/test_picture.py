"""The picture: what is on it, to scale, and small enough."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import fields, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from capturehook.api import apply
from capturehook.draw.canvas import BLUE, INK, Scale, Shape, Sheet, Words, round_marks
from capturehook.draw.shoot import (
    BED,
    HEAD_ROOM,
    _more,
    draw_plan,
    plan_sheet,
)
from capturehook.errors import PlanError
from capturehook.model.moves import MoveTable
from capturehook.profile import build_profile
from capturehook.report.footprint import front_outline, printed_lines
from capturehook.report.shoot import Shoot, plan_shoot
from tests.clock.move_tables import Step, arc, moves_of
from tests.small_jobs import Recipe, make_job
from tests.strategies import profile_table

KEEP_OUT = [{"name": "clip <left>", "x_mm": [0, 10], "y_mm": [0, 20], "z_mm": [0, 5]}]


def drawn(recipe: Recipe | None = None, **changes: Any) -> Shoot:
    profile = build_profile(profile_table("marlin", **changes), "heron.toml")
    data = make_job(recipe or Recipe(layers=10)).data
    applied = apply(data, profile, path="light & house.gcode", skip_unsafe=True)
    return plan_shoot(applied)


def words_of(sheet: Sheet) -> list[str]:
    return [part.text for part in sheet.parts if isinstance(part, Words)]


def test_svg_is_well_formed_and_names_what_is_drawn() -> None:
    sheet = plan_sheet(drawn(machine={"keep_out": KEEP_OUT}))
    root = ET.fromstring(sheet.as_svg())
    texts = [element.text or "" for element in root.iter("{http://www.w3.org/2000/svg}text")]
    assert "clip <left>" in texts
    assert "park" in texts
    assert any(text.startswith("light & house.gcode: 9 frames") for text in texts)
    assert any("The bed moves in Y" in text for text in texts)


def test_bed_is_to_scale_and_the_route_ends_at_the_park_point() -> None:
    shoot = drawn()
    sheet = plan_sheet(shoot)
    per_mm = min(BED[2] / 235, BED[3] / 235)
    x, y = Scale(BED[0], per_mm), Scale(BED[1] + 235 * per_mm, -per_mm)
    strong = [
        part
        for part in sheet.parts
        if isinstance(part, Shape) and part.stroke == BLUE and part.width == 2.0
    ]
    (route,) = [part.runs[0] for part in strong]
    assert route[-1] == pytest.approx([x(8), y(215)])
    ink = [part for part in sheet.parts if isinstance(part, Shape) and part.stroke == INK]
    layer = next(part for part in ink if part.width == 0.9)
    corners = np.vstack(layer.runs)
    half_mm = 16 / 2 - 0.2 * (shoot.poses[len(shoot.poses) // 2].layer - 1)
    assert np.ptp(corners[:, 0]) == pytest.approx(2 * half_mm * per_mm, abs=0.5)


def test_button_is_marked_when_it_is_the_trigger() -> None:
    trigger = {"by": "button", "x_mm": 220, "axis": "x", "direction": "+"}
    park = {"x_mm": 200, "y_mm": 215}
    assert "button" in words_of(plan_sheet(drawn(park=park, trigger=trigger)))
    assert "button" not in words_of(plan_sheet(drawn()))


def test_one_tick_a_frame_at_its_second_and_at_its_height() -> None:
    shoot = drawn()
    sheet = plan_sheet(shoot)
    ticks = [
        part for part in sheet.parts
        if isinstance(part, Shape) and part.stroke == BLUE and len(part.runs) == len(shoot.poses)
        and all(len(run) == 2 for run in part.runs)
    ]  # fmt: skip
    at_time, at_height = ticks[-2:]
    x = np.array([run[0, 0] for run in at_time.runs])
    assert np.diff(x) / np.diff(shoot.fire_s) == pytest.approx(500 / shoot.total_s)
    y = np.array([run[0, 1] for run in at_height.runs])
    assert (np.diff(y) < 0).all()


def test_ticks_of_many_frames_stay_apart_and_say_how_many_they_stand_for(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("capturehook.draw.growth.MOST_TICKS", 4)
    sheet = plan_sheet(drawn())
    assert "Ticks below and at the right: every 3rd of the 9 frames." in words_of(sheet)
    ticks = [part for part in sheet.parts if isinstance(part, Shape) and part.width == 0.9]
    assert [len(part.runs) for part in ticks if part.stroke == BLUE] == [3, 3]


def test_head_stays_clear_of_the_titles_and_box_names_clear_of_their_boxes() -> None:
    box = {"name": "post", "x_mm": [120, 122], "y_mm": [60, 62], "z_mm": [0, 5]}
    sheet = plan_sheet(drawn(machine={"keep_out": [box]}, park={"x_mm": 235, "y_mm": 235}))
    (head,) = [part for part in sheet.parts if isinstance(part, Shape) and part.dash == (5, 4)]
    assert len(head.runs) == 3  # the back edge would cross the title
    assert min(run[:, 1].min() for run in head.runs) >= HEAD_ROOM[1]
    (name,) = [part for part in sheet.parts if isinstance(part, Words) and part.text == "post"]
    assert name.anchor == "start" and name.x > BED[0] + 122 * BED[3] / 235


def test_park_stands_on_paper_where_the_edge_of_the_bed_would_cross_it() -> None:
    sheet = plan_sheet(drawn(park={"x_mm": 120, "y_mm": 226}))
    at = next(i for i, p in enumerate(sheet.parts) if isinstance(p, Words) and p.text == "park")
    patch = sheet.parts[at - 1]
    assert isinstance(patch, Shape) and patch.fill == "#ffffff"
    assert patch.runs[0][:, 1].min() < sheet.parts[at].y < patch.runs[0][:, 1].max()  # type: ignore[union-attr]


def test_long_names_and_long_shoots_fit_the_title() -> None:
    shoot = drawn()
    source = replace(shoot.job.source, path="a" * 200 + ".gcode")
    long = replace(shoot, job=replace(shoot.job, source=source))
    assert len(plan_sheet(long).title) < 90
    assert [_more(s) for s in (20.4, 348, 15006)] == ["20 s", "5.8 min", "4 h 10 min"]


def test_every_second_of_film_has_a_box_and_held_ones_say_so() -> None:
    capture = {"every_layers": None, "film_s": 3, "fps": "3", "hold_last_s": 2}
    texts = words_of(plan_sheet(drawn(capture=capture)))
    assert [text for text in texts if re.fullmatch(r"\d+ s", text)] == [
        "1 s", "2 s", "3 s", "4 s", "5 s",
    ]  # fmt: skip
    assert texts.count("held") == 2
    assert "2.0" in texts  # the finished height, reached in the third second


def test_long_films_have_a_box_for_several_seconds() -> None:
    capture = {"fps": "0.2", "hold_last_s": 0}
    texts = words_of(plan_sheet(drawn(Recipe(layers=14), capture=capture)))
    assert any("One box for each 3 seconds" in text for text in texts)


def test_a_job_without_frames_can_still_be_drawn() -> None:
    shoot = drawn()
    bare = replace(shoot, poses=(), fire_s=np.zeros(0), costs=shoot.costs)
    assert "0 frames" in plan_sheet(bare).title


def test_svg_of_a_big_job_stays_small() -> None:
    """200,000 short lines, drawn with every layer: under 1.5 MB."""
    turn = np.arange(200_000) * 0.1
    steps = np.column_stack((np.cos(turn), np.sin(turn))) * 2
    moves = big_moves(steps)
    runs = printed_lines(moves, layers_of(moves, 100), np.arange(100), 30_000)
    assert sum(map(len, runs)) <= 30_000
    sheet = Sheet(1000, 1000, "big")
    sheet.lines(runs)
    assert 50_000 < len(sheet.as_svg()) < 1_500_000


def big_moves(steps: np.ndarray) -> MoveTable:
    moves = moves_of([Step(x=0.5, e=0.1)])
    ends = 100 + np.cumsum(steps, axis=0)
    starts = np.vstack(([[100.0, 100.0]], ends[:-1]))
    count = len(steps)
    columns = {
        name: np.repeat(getattr(moves, name), count)
        for name in names_of(moves)
        if not name.startswith("event_")
    }
    columns.update(x0_mm=starts[:, 0], y0_mm=starts[:, 1], x_mm=ends[:, 0], y_mm=ends[:, 1])
    events = {name: getattr(moves, name) for name in names_of(moves) if name.startswith("event_")}
    return MoveTable(**columns, **events)


def names_of(moves: MoveTable) -> list[str]:
    return [field.name for field in fields(moves)]


def layers_of(moves: MoveTable, count: int) -> Any:
    from types import SimpleNamespace

    edges = np.linspace(0, len(moves), count + 1).astype(int)
    return SimpleNamespace(first_move=edges[:-1], last_move=edges[1:] - 1)


def test_arcs_are_drawn_round() -> None:
    moves = moves_of([Step(x=5, e=1), arc(0, 10, np.pi, e=1)])
    (run,) = printed_lines(moves, layers_of(moves, 1), np.array([0]), 1000)
    centre = np.array([moves.cx_mm[1], moves.cy_mm[1]])
    assert len(run) > 8
    assert np.hypot(*(run[1:] - centre).T) == pytest.approx(10.0)


def test_outline_from_the_front_follows_the_layers_of_each_object() -> None:
    shoot = drawn(Recipe(layers=6, objects=2))
    job = shoot.job
    outline = front_outline(job.moves, job.layers, job.features)
    assert outline.low_mm[:6] == pytest.approx(92 + 0.2 * np.arange(6))
    assert outline.high_mm[:6] == pytest.approx(108 - 0.2 * np.arange(6))
    first, second = outline.areas(0, 12)
    assert second[:, 0].min() - first[:, 0].min() == pytest.approx(40)
    assert len(outline.areas(0, 6)) == 1


@pytest.mark.parametrize(("low", "high"), [(0, 235), (-2, 240), (0, 7.3), (0, 0.9), (12, 4000)])
def test_marks_are_round_and_within(low: float, high: float) -> None:
    marks = round_marks(low, high, 5)
    assert 2 <= len(marks) <= 7
    assert all(low - 1e-9 <= mark <= high + 1e-9 for mark in marks)
    assert len({f"{b - a:.6g}" for a, b in pairwise(marks)}) == 1


def test_draw_plan_writes_svg_and_png_and_refuses_others(tmp_path: Path) -> None:
    pillow = pytest.importorskip("PIL.Image")
    shoot = drawn(machine={"keep_out": KEEP_OUT})
    for name in ("plan.svg", "plan.png"):
        draw_plan(shoot, tmp_path / name)
    with pillow.open(tmp_path / "plan.png") as image:
        assert image.size == (2400, 1700)
        dark = np.asarray(image.convert("L")) < 100
    assert 0.005 < dark.mean() < 0.2
    with pytest.raises(PlanError, match=r"neither \.svg nor \.png"):
        draw_plan(shoot, tmp_path / "plan.pdf")
    assert not (tmp_path / "plan.pdf").exists()


def test_png_without_pillow_is_one_clear_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "PIL.Image", None)
    with pytest.raises(PlanError, match=r"needs Pillow.*pip install av "):
        draw_plan(drawn(), tmp_path / "plan.png")
