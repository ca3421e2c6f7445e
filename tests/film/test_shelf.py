"""A stopped run goes on, and believes nothing that is stale or damaged."""

import hashlib
import os
from contextlib import suppress

import click
import numpy as np
import pytest

from capturehook.audit.judge import audit_frames
from capturehook.cli.main import main
from capturehook.film import reel
from capturehook.film.assemble import FilmOuts, assemble_film
from capturehook.film.shelf import Shelf
from capturehook.film.wishes import FilmWishes
from capturehook.frames import reference
from capturehook.frames.listing import load_frames
from tests.frames.shoot import make_shoot

COUNT = 8


@pytest.fixture
def work(tmp_path, monkeypatch):
    shoot = make_shoot(COUNT)
    shoot.write(tmp_path / "card")
    audit = audit_frames(load_frames([tmp_path / "card"]), shoot.plan)
    drawn = []
    true = reel.render_frame

    def counted(frame, *rest, **how):
        drawn.append(frame.name)
        return true(frame, *rest, **how)

    monkeypatch.setattr(reel, "render_frame", counted)

    def run(stop_at=None, **wishes):
        def progress(done):
            if done == stop_at:
                raise KeyboardInterrupt

        drawn.clear()
        return assemble_film(
            audit,
            tmp_path / "film.mp4",
            FilmWishes(hold_last_s=0.0, **wishes),
            outs=FilmOuts(resume=True),
            progress=progress,
        )

    return tmp_path, run, drawn


def stopped(run, at=5):
    with pytest.raises(KeyboardInterrupt):
        run(stop_at=at)


def test_stopped_run_goes_on_and_makes_the_same_film(work):
    folder, run, drawn = work
    assert run(loop="back").reused == 0  # frames that are shown twice are not of another run
    run()
    whole = hashlib.sha256((folder / "film.mp4").read_bytes()).hexdigest()
    assert len(drawn) == COUNT and not (folder / "film.mp4.work").exists()
    stopped(run)
    kept = len(list((folder / "film.mp4.work").glob("*.frame")))
    assert kept >= 5
    report = run()
    assert report.reused == kept and len(drawn) == COUNT - kept
    assert hashlib.sha256((folder / "film.mp4").read_bytes()).hexdigest() == whole
    assert not (folder / "film.mp4.work").exists()


def test_frames_drawn_for_another_lens_are_not_shown(work, monkeypatch):
    _, run, drawn = work
    counted, lenses = reel.render_frame, []

    def seen(*words, lens, **how):
        lenses.append(lens)
        return counted(*words, lens=lens, **how)

    monkeypatch.setattr(reel, "render_frame", seen)
    stopped(run)
    assert set(lenses) == {0.0}
    lenses.clear()
    assert run(lens_percent=-2.0).reused == 0
    assert len(drawn) == COUNT and set(lenses) == {-0.02}


def test_damaged_and_cut_frames_are_drawn_again(work):
    folder, run, _ = work
    stopped(run)
    kept = sorted((folder / "film.mp4.work").glob("*.frame"))
    data = bytearray(kept[0].read_bytes())
    data[len(data) // 2] ^= 1
    kept[0].write_bytes(data)
    kept[1].write_bytes(kept[1].read_bytes()[:-20])
    kept[2].write_bytes(b"")
    assert run().reused == len(kept) - 3


def test_picture_changed_behind_its_size_and_time_is_drawn_again(work):
    folder, run, drawn = work
    stopped(run)
    kept = len(list((folder / "film.mp4.work").glob("*.frame")))
    path = sorted((folder / "card").iterdir())[0]
    state, data = path.stat(), bytearray(path.read_bytes())
    data[-3] ^= 1  # before the end mark: the picture still decodes or is refused, never reused
    path.write_bytes(data)
    os.utime(path, ns=(state.st_atime_ns, state.st_mtime_ns))
    run()
    assert path.name in drawn and len(drawn) == COUNT - kept + 1


def test_other_wishes_take_nothing_of_the_old_size(work):
    _, run, drawn = work
    stopped(run)
    assert run(width_px=80).reused == 0 and len(drawn) == COUNT


def test_measured_frames_are_not_decoded_again_for_another_film(tmp_path, monkeypatch):
    folder = tmp_path / "card"
    shoot = make_shoot(COUNT)
    shoot.write(folder)
    plan = tmp_path / "plan.json"
    shoot.plan.save(plan)
    decoded = []
    true = reference.read_reduced

    def counted(path, *rest):
        decoded.append(path.name)
        if len(decoded) == stop_at:
            raise KeyboardInterrupt
        return true(path, *rest)

    monkeypatch.setattr(reference, "read_reduced", counted)
    monkeypatch.setattr(reference, "WORKERS", 1)
    monkeypatch.setattr(reference, "KEPT_BYTES", 0)

    def film(name, *options):
        decoded.clear()
        out = tmp_path / name
        words = ["assemble", folder, "--plan", plan, "-o", out, "--resume", *options]
        with suppress(click.Abort):
            main.main(args=[str(word) for word in words], standalone_mode=False)
        return len(decoded), hashlib.sha256(out.read_bytes() if out.exists() else b"").digest()

    stop_at = COUNT + 1 + 4  # samples, the reference, and the first frames
    film("whole.mp4")
    stop_at = -1
    again, whole = film("whole.mp4")
    assert again == 1 + COUNT - 3  # the reference, and those that were not measured
    assert film("short.mp4", "--length", "1")[0] == 1  # another film, of the same rows
    assert film("elsewhere.mp4", *"--static 0 0 60 60".split())[0] == 2 * COUNT + 1
    rows = next(tmp_path.glob("whole.mp4.work/*.rows"))
    data = bytearray(rows.read_bytes())
    data[-20] ^= 1
    rows.write_bytes(data)
    assert film("last.mp4") == (1 + 1, whole)  # the record that was spoilt
    os.utime(next(iter(folder.iterdir())))
    assert film("touched.mp4")[0] == 2 * COUNT + 1
    monkeypatch.setattr(reference, "KEPT_BYTES", COUNT // 2 * 160 * 120 * 3)
    assert film("kept.mp4", *"--static 9 0 60 60".split())[0] in (
        COUNT * 3 // 2,
        COUNT * 3 // 2 + 1,
    )


def test_shelf_is_bounded(tmp_path):
    source = tmp_path / "a.jpg"
    source.write_bytes(b"picture")
    noise = np.random.default_rng(1).integers(0, 256, (64, 64, 3)).astype(np.uint8)
    shelf = Shelf(tmp_path / "film.mp4", most_bytes=30_000)
    for k in range(10):
        assert np.array_equal(shelf.drawn(source, k, lambda: noise), noise)
    size = sum(one.stat().st_size for one in shelf.folder.iterdir())
    assert 10_000 < size <= 30_000
    assert np.array_equal(shelf.drawn(source, 0, lambda: noise * 0), noise)
    (shelf.folder / "notes.txt").write_text("a person's")
    shelf.clear()
    assert [one.name for one in shelf.folder.iterdir()] == ["notes.txt"]
