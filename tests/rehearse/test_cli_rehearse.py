"""The command: film, stills, frames, JSON, and one clear error for each mistake."""

from __future__ import annotations

import json
import sys
from itertools import pairwise

import av
import pytest
from PIL import Image

from capturehook.cli.main import run
from capturehook.frames.exif import taken_from
from capturehook.model.plan import load_plan
from tests.rehearse.rehearsed import job_file


def call(capsys, *words: object) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        run([str(word) for word in words])
    out, err = capsys.readouterr()
    return int(left.value.code or 0), out, err


def rehearse(capsys, job, *words: object) -> tuple[int, str, str]:
    return call(capsys, "rehearse", job, "-p", "heron", "--size", "160x96", *words)


def test_film_has_a_frame_for_each_pose_and_the_held_one(tmp_path, capsys):
    job = job_file(tmp_path)
    film = tmp_path / "film.mp4"
    code, out, _ = rehearse(capsys, job, "-o", film, "--json")
    told = json.loads(out)
    assert code == 0
    with av.open(str(film)) as container:
        frames = sum(1 for _ in container.decode(video=0))
        stream = container.streams.video[0]
        assert (stream.width, stream.height, stream.average_rate) == (160, 96, 30)
    # heron: 30 frames a second, the last one held for 2 s
    assert frames == told["frames"] + 60
    assert told["film_s"] == pytest.approx(frames / 30)
    assert [one["pose"] for one in told["poses"]] == list(range(1, told["frames"] + 1))
    code, out, _ = call(capsys, "apply", job, "-p", "heron", "--dry-run", "--json")
    assert len(json.loads(out)["poses"]) == told["frames"]


def test_wished_film_is_the_one_that_plan_promises(tmp_path, capsys):
    job, wish = job_file(tmp_path), ("--every", "0.6mm", "--fps", "12", "--json")
    planned = json.loads(call(capsys, "plan", job, "-p", "heron", *wish)[1])
    drawn = json.loads(rehearse(capsys, job, "-o", tmp_path / "film.mp4", *wish)[1])
    assert [one["layer"] for one in drawn["poses"]] == [one["layer"] for one in planned["poses"]]
    held = 24  # the last one, for 2 s
    assert 1 < drawn["frames"] == round(drawn["film_s"] * 12) - held


def test_job_stays_as_it_is(tmp_path, capsys):
    job = job_file(tmp_path)
    before = job.read_bytes()
    rehearse(capsys, job, "--still", 2, tmp_path / "still.png")
    assert job.read_bytes() == before
    with Image.open(tmp_path / "still.png") as picture:
        assert picture.size == (160, 96) and picture.format == "PNG"


def test_frames_carry_the_times_of_the_saved_plan(tmp_path, capsys):
    job = job_file(tmp_path)
    call(capsys, "plan", job, "-p", "heron", "--save", tmp_path / "plan.json")
    plan = load_plan(tmp_path / "plan.json")
    code, out, _ = rehearse(capsys, job, "--frames", tmp_path / "card")
    paths = sorted((tmp_path / "card").iterdir())
    assert code == 0 and len(paths) == len(plan.poses) and f"{len(paths)} frames" in out
    taken = []
    for path in paths:
        with Image.open(path) as picture:
            taken.append(taken_from(picture.getexif()).local_s)
    planned = [pose.t_s for pose in plan.poses]
    gaps = [b - a for a, b in pairwise(taken)]
    assert gaps == pytest.approx([b - a for a, b in pairwise(planned)], abs=0.0011)


def test_text_says_what_is_hidden_and_where_to_park(tmp_path, capsys):
    code, out, err = rehearse(capsys, job_file(tmp_path))
    assert code == 0 and not err
    assert "hides 0.0% of the part on average" in out and "points tried" in out


def test_camera_too_near_is_a_finding(tmp_path, capsys):
    code, _, err = rehearse(capsys, job_file(tmp_path), "--distance-mm", 60, "--height-mm", 20)
    assert code == 1 and "[part-cut-off]" in err


@pytest.mark.parametrize(
    ("words", "found"),
    [
        (["--size", "big"], "'big' is no size"),
        (["--size", "8x8"], "8x8 is not within 16 to 4096 px"),
        (["--still", "99", "x.png"], "there is no pose 99"),
        (["--fault", "missing=3"], "add --frames FOLDER"),
        (["--height-mm", "500", "--distance-mm", "300"], "at least"),
        (["-o", "film.txt"], "does not name a kind of film"),
        (["--frames", "card", "--fault", "lost=3"], "is not a fault"),
    ],
)
def test_each_mistake_gets_one_clear_error(tmp_path, capsys, monkeypatch, words, found):
    job = job_file(tmp_path)
    monkeypatch.chdir(tmp_path)
    code, _, err = rehearse(capsys, job, *words)
    assert code == 2 and found in err and "Traceback" not in err
    assert [path.name for path in tmp_path.iterdir()] == [job.name]


def test_missing_picture_library_is_named(tmp_path, capsys, monkeypatch):
    monkeypatch.setitem(sys.modules, "PIL.Image", None)
    code, _, err = rehearse(capsys, job_file(tmp_path), "--still", 1, tmp_path / "s.png")
    assert code == 2 and "PIL.Image" in err and "pip install av " in err


def test_help_holds_an_example(capsys):
    code, out, _ = call(capsys, "rehearse", "--help")
    assert code == 0 and "capturehook rehearse lighthouse.gcode -p heron -o rehearsal.mp4" in out
