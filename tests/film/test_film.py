"""From drawn frames to a film, decoded again and compared with what went in."""

import csv
import hashlib
from fractions import Fraction

import av
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.registration import phase_cross_correlation

from capturehook.audit.judge import audit_frames
from capturehook.errors import FrameError
from capturehook.film.assemble import FilmOuts, assemble_film
from capturehook.film.choose import Correction, choose_frames
from capturehook.film.framing import CROPS, frame_film
from capturehook.film.render import write_text
from capturehook.film.wishes import FilmWishes
from capturehook.frames.listing import load_frames
from capturehook.physics.colour import luminance_of_srgb
from tests.frames.shoot import coded_of, make_shoot

POSES = 24
WALL = np.s_[5:60, 60:150]  # background only, in every frame


def audited(shoot, folder):
    shoot.write(folder)
    return audit_frames(load_frames([folder]), shoot.plan)


def filmed(shoot, tmp_path, name="film.mp4", **wishes):
    return assembled(audited(shoot, tmp_path / "card"), tmp_path, name, **wishes)


def assembled(audit, tmp_path, name, **wishes):
    usual = {"quality": "fine", "hold_last_s": 0.0, **wishes}
    report = assemble_film(audit, tmp_path / name, FilmWishes(**usual))
    return decoded(tmp_path / name), report


def decoded(path):
    """(N, H, W, 3) by the film's own tags: BT.709, narrow range."""
    with av.open(str(path)) as container:
        return np.stack(
            [
                frame.reformat(
                    format="rgb24", src_colorspace="ITU709", dst_color_range="JPEG"
                ).to_ndarray()
                for frame in container.decode(video=0)
            ]
        )


def light(film):
    """(N,) EV of the wall."""
    return np.log2(luminance_of_srgb(film[:, 5:60, 60:150]).mean(axis=(1, 2)))


def test_film_has_the_count_size_rate_length_and_names_asked_for(tmp_path):
    shoot = make_shoot(POSES)
    film, report = filmed(shoot, tmp_path, fps="30000/1001", hold_last_s=0.5)
    assert film.shape == (POSES + 15, 120, 160, 3)
    assert report.frames == len(film) and report.fps == Fraction(30000, 1001)
    assert report.seconds == pytest.approx(39 * 1001 / 30000)
    with av.open(str(tmp_path / "film.mp4")) as container:
        assert container.streams.video[0].average_rate == Fraction(30000, 1001)
        assert container.metadata["title"] == "lighthouse"
        assert container.metadata["date"] == "2024-05-01"
    assert report.findings == ()


def test_film_shows_the_colours_of_the_frames(tmp_path):
    film, _ = filmed(make_shoot(POSES), tmp_path)
    part = film[-1, 70:100, 74:86].mean(axis=(0, 1))
    assert part == pytest.approx(coded_of((0.55, 0.12, 0.08), 0.0), abs=3)
    whole = np.asarray(np.round(coded_of((0.02, 0.02, 0.03), 0.0)))
    assert film[5, 32:40, 6:13].mean(axis=(0, 1)) == pytest.approx(whole, abs=4)


def test_film_shows_the_frames_in_order_of_growth(tmp_path):
    film, _ = filmed(make_shoot(POSES), tmp_path)
    red = (film[:, :, 80, 0].astype(int) - film[:, :, 80, 2] > 60).sum(axis=1)
    assert (np.diff(red) >= 0).all() and red[-1] - red[0] > 60


def shift(usual, grey):
    """Down and right, as scikit-image's registration tells it."""
    window = np.outer(*(np.hanning(side) for side in usual.shape))
    one, other = ((part - part.mean()) * window for part in (grey, usual))
    return phase_cross_correlation(one, other, upsample_factor=50)[0]


def test_knocked_and_creeping_camera_is_aligned_to_a_third_of_a_pixel(tmp_path):
    shoot = make_shoot(POSES)
    for index, shot in enumerate(shoot.shots):
        shot.dx, shot.dy = 0.1 * index, -0.05 * index
    shoot.shots[9].dx += 3.4
    for shot in shoot.shots[16:]:
        shot.dy += 2.6
    film, report = filmed(shoot, tmp_path)
    assert len(report.chosen) == POSES
    wall = film[(slice(None), *WALL)].mean(axis=-1)
    shifts = [shift(wall[0], one) for one in wall]
    assert max(np.hypot(*one) for one in shifts) < 0.3
    raw, _ = filmed(shoot, tmp_path, "raw.mp4", align="none")
    loose = raw[(slice(None), *WALL)].mean(axis=-1)
    assert max(abs(shift(loose[0], one)[1]) for one in loose) > 2  # the knocked one is held


def test_turned_frame_is_straightened(tmp_path):
    shoot = make_shoot(POSES)
    shoot.shots[9].turn_deg = 0.8
    rests = {}
    for align in ("shift", "turn"):
        film, _ = filmed(shoot, tmp_path, f"{align}.mp4", align=align)
        grey = film.mean(axis=-1)
        corners = [np.s_[0:32, 60:92], np.s_[0:32, 120:152], np.s_[70:102, 110:142]]
        shifts = [shift(grey[(8, *c)], grey[(9, *c)]) for c in corners]
        rests[align] = max(np.hypot(*one) for one in shifts)
    assert rests["turn"] < 0.4 < rests["shift"]


@pytest.mark.parametrize("kind", ["alternating", "random"])
def test_even_light_cuts_flicker_to_a_fifth(tmp_path, kind):
    shoot = make_shoot(40)
    rng = np.random.default_rng(9)
    for index, shot in enumerate(shoot.shots):
        shot.ev = 0.3 * (-1) ** index if kind == "alternating" else float(rng.uniform(-0.3, 0.3))
    audit = audited(shoot, tmp_path / "card")
    before, _ = assembled(audit, tmp_path, "as_it_was.mp4")
    after, _ = assembled(audit, tmp_path, "evened.mp4", even_light="lamps")
    before_ev, after_ev = np.diff(light(before)), np.diff(light(after))
    assert before_ev.std() > 0.15
    assert after_ev.std() < before_ev.std() / 5


def test_spoilt_frames_are_held_blended_or_skipped(tmp_path):
    shoot = make_shoot(POSES)
    del shoot.shots[15]
    shoot.shots[9].blur = 1.5
    audit = audited(shoot, tmp_path)
    kinds = {}
    for fill in ("hold", "blend", "motion", "skip"):
        chosen, findings = choose_frames(audit, fill)
        kinds[fill] = [one.kind for one in chosen]
        assert [finding.code for finding in findings] == ["bridged"]
    assert [k for k, kind in enumerate(kinds["hold"]) if kind == "held"] == [9, 15]
    assert [k for k, kind in enumerate(kinds["blend"]) if kind == "blended"] == [9, 15]
    assert kinds["skip"] == ["shot"] * (POSES - 2)


def test_blended_frame_lies_between_its_neighbours_in_light(tmp_path):
    shoot = make_shoot(POSES)
    shoot.shots[8].ev, shoot.shots[10].ev = -0.2, 0.2
    del shoot.shots[9]
    film, _ = filmed(shoot, tmp_path, bridge="blend", align="none")
    linear = 2.0 ** light(film)
    assert len(film) == POSES
    assert linear[9] == pytest.approx((linear[8] + linear[10]) / 2, rel=0.02)


def test_poses_without_frames_at_the_ends_are_left_out_and_said(tmp_path):
    shoot = make_shoot(POSES)
    shoot.shots = shoot.shots[2:-3]
    chosen, findings = choose_frames(audited(shoot, tmp_path))
    assert len(chosen) == POSES - 5
    assert [finding.code for finding in findings] == ["shortened", "shortened"]


def test_last_frame_fades_to_black_and_text_is_written(tmp_path):
    plain, _ = filmed(make_shoot(8), tmp_path, "plain.mp4")
    film, _ = filmed(
        make_shoot(8),
        tmp_path,
        "text.mp4",
        hold_last_s=0.5,
        fade_s=0.3,
        text=("layer", "height", "time"),
    )
    assert film[-1].mean() < 2 and film[15].mean() > 60
    levels = film[-10:].mean(axis=(1, 2, 3))
    assert (np.diff(levels) < 0).all()
    changed = np.abs(film[3].astype(int) - plain[3]).max(axis=-1) > 80
    assert changed[95:].sum() > 40 and changed[:90].sum() == 0


@pytest.mark.parametrize("size", [(1080, 1920), (302, 536), (1920, 1080), (120, 200)])
def test_text_lies_whole_in_pictures_of_any_shape(size):
    grey = np.full((size[1], size[0], 3), 90, np.uint8)
    changed = (write_text(grey, "layer 1200 of 1200   60.00 mm   12:34 h") != 90).any(axis=(0, 2))
    lit = np.flatnonzero(changed)
    assert len(lit) and lit[0] > 1 and lit[-1] < size[0] - 2


def test_list_names_every_film_frame_with_its_corrections(tmp_path):
    shoot = make_shoot(POSES)
    shoot.shots[9].dx = 3.4
    shoot.shots[4].ev = 0.3
    del shoot.shots[15]
    audit = audited(shoot, tmp_path / "card")
    assemble_film(
        audit,
        tmp_path / "film.mp4",
        FilmWishes(bridge="blend", even_light="lamps", hold_last_s=1.0),
        outs=FilmOuts(list_path=tmp_path / "chosen.csv"),
    )
    with (tmp_path / "chosen.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [int(row["pose"]) for row in rows] == list(range(1, POSES + 1))
    assert float(rows[9]["dx_px"]) == pytest.approx(3.4, abs=0.15)
    assert float(rows[4]["gain_ev"]) == pytest.approx(-0.3, abs=0.05)
    assert rows[15]["kind"] == "blended" and rows[15]["other_share"] == "0.500"
    assert rows[15]["file"].endswith("pict0015.jpg")
    assert rows[15]["other_file"].endswith("pict0016.jpg")
    assert int(rows[-1]["shown_frames"]) == 31
    assert rows[3]["start_s"] == "0.100"


def test_originals_are_untouched_and_never_written_over(tmp_path):
    shoot = make_shoot(6)
    written = shoot.write(tmp_path / "card")
    before = [(hashlib.sha256(p.read_bytes()).hexdigest(), p.stat().st_mtime_ns) for p in written]
    audit = audit_frames(load_frames([tmp_path / "card"]), shoot.plan)
    assemble_film(
        audit,
        tmp_path / "card" / "film.mp4",
        outs=FilmOuts(list_path=tmp_path / "card" / "list.csv"),
    )
    with pytest.raises(FrameError, match="is one of the frames"):
        assemble_film(audit, tmp_path / "film.mp4", outs=FilmOuts(list_path=written[2]))
    after = [(hashlib.sha256(p.read_bytes()).hexdigest(), p.stat().st_mtime_ns) for p in written]
    assert after == before
    assert not (tmp_path / "film.mp4").exists()


def test_film_of_nothing_fit_is_refused(tmp_path):
    shoot = make_shoot(6)
    for shot in shoot.shots:
        shot.ev = -9.0
    audit = audited(shoot, tmp_path / "card")
    with pytest.raises(FrameError, match="none is fit for a film"):
        assemble_film(audit, tmp_path / "film.mp4")


@pytest.mark.parametrize(
    ("wishes", "text"),
    [
        ({"text": ("speed",)}, "'speed' is not known"),
        ({"width_px": 400}, "400 px is more than the 160 px there are"),
        ({"crop": "2:1"}, "'2:1' is not known"),
        ({"hold_last_s": -1.0}, "outside 0 to 600"),
        ({"fps": "many"}, "is not a frame rate"),
        ({"codec": "flip-book"}, "'flip-book' is not known"),
    ],
)
def test_wish_that_cannot_be_met_is_one_clear_error(tmp_path, wishes, text):
    audit = audited(make_shoot(5), tmp_path / "card")
    with pytest.raises(FrameError, match=text):
        assemble_film(audit, tmp_path / "film.mp4", FilmWishes(**wishes))
    assert not (tmp_path / "film.mp4").exists()


def test_film_without_a_plan_takes_all_good_frames(tmp_path):
    shoot = make_shoot(8)
    shoot.shots[3].blur = 1.5
    shoot.write(tmp_path / "card")
    audit = audit_frames(load_frames([tmp_path / "card"]))
    report = assemble_film(audit, tmp_path / "film.mp4", FilmWishes(hold_last_s=0))
    assert (report.frames, report.fps) == (7, Fraction(30))
    with pytest.raises(FrameError, match="known from the plan only"):
        assemble_film(audit, tmp_path / "film.mp4", FilmWishes(text=("layer",)))


# Usual film sizes of common stills (arithmetic): 6000 x 4000 cut to 16:9 is 6000 x 3375.
@pytest.mark.parametrize(
    ("size_px", "crop", "width_px", "film"),
    [
        ((6000, 4000), "16:9", None, (1920, 1080)),
        ((6000, 4000), "9:16", None, (1080, 1920)),
        ((6000, 4000), "1:1", None, (1080, 1080)),
        ((6000, 4000), "keep", None, (1620, 1080)),
        ((6000, 4000), "16:9", 3840, (3840, 2160)),
        ((1920, 1080), "keep", None, (1920, 1080)),
        ((4000, 3000), "keep", 1441, (1440, 1080)),
    ],
)
def test_film_sizes_are_the_usual_ones(size_px, crop, width_px, film):
    framing, findings = frame_film(size_px, [], crop, width_px)
    assert (framing.width_px, framing.height_px) == film and findings == []
    assert framing.width / framing.height == pytest.approx(film[0] / film[1], rel=1e-6)


def test_crop_follows_the_centre_asked_for_as_far_as_there_is_picture():
    framing, _ = frame_film((6000, 4000), [], "9:16", None, (1500, 2000))
    assert framing.left + framing.width / 2 == pytest.approx(1500)
    framing, _ = frame_film((6000, 4000), [], "9:16", None, (0, 2000))
    assert framing.left == 0


@pytest.mark.property
@settings(max_examples=60)
@given(
    st.integers(200, 4000),
    st.integers(200, 4000),
    st.sampled_from(sorted(CROPS)),
    st.lists(st.tuples(st.floats(-15, 15), st.floats(-15, 15)), max_size=5),
)
def test_every_aligned_frame_fills_the_box_and_sides_are_even(width, height, crop, shifts):
    corrections = [Correction(dx_px=dx, dy_px=dy) for dx, dy in shifts]
    framing, _ = frame_film((width, height), corrections, crop)
    assert framing.width_px % 2 == 0 and framing.height_px % 2 == 0
    for dx, dy in [(0.0, 0.0), *shifts]:
        assert framing.left + dx >= -1e-6 and framing.top + dy >= -1e-6
        assert framing.left + dx + framing.width <= width + 1e-6
        assert framing.top + dy + framing.height <= height + 1e-6
    assert framing.width / framing.height == pytest.approx(
        framing.width_px / framing.height_px, rel=1e-6
    )
