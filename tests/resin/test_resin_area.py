"""Light area of the layer images, stretches of alike images, and the drawing of both."""

from __future__ import annotations

import io
import re
import struct
import sys
import xml.etree.ElementTree as ET
import zlib
from pathlib import Path

import numpy as np
import pytest
import sample_truth as truth
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from resin_jobs import bar, png, settings_text, write_settings_job, write_zip

from capturehook.draw.resin import LitArea, draw_lit_area
from capturehook.errors import CaptureHookError, FileError
from capturehook.model.resin import ResinTable
from capturehook.model.resin_job import ResinJob
from capturehook.profile import load_profile
from capturehook.resin.area import LayerImages, LightArea, still_findings, still_stretches
from capturehook.resin.area import light_area as area_of_images
from capturehook.resin.body import open_images
from capturehook.resin.job import read_job
from capturehook.resin.shoot import ResinShoot, plan_shoot


def container(tmp_path: Path, images: list[bytes]) -> tuple[Path, tuple[str, ...]]:
    names = tuple(f"{n}.png" for n in range(len(images)))
    return write_zip(tmp_path / "a.zip", list(zip(names, images, strict=True))), names


def light_area(path: Path, names: tuple[str, ...]) -> LightArea:
    with LayerImages(path, names) as images:
        return area_of_images(images)


def growth(job: ResinJob, area: LightArea, shoot: ResinShoot, alike: list[tuple[int, int]]) -> str:
    return draw_lit_area(
        LitArea(
            timeline=job.timeline,
            lit=area.lit,
            seen_from_layer=shoot.visible_from_layer,
            frame_layers=shoot.frame_layers,
            alike=alike,
            film_s=shoot.film_s,
        )
    ).as_svg()


def encoded(image: Image.Image) -> bytes:
    out = io.BytesIO()
    image.save(out, "PNG")
    return out.getvalue()


def test_area_is_the_share_of_lit_pixels(tmp_path: Path) -> None:
    """Bars of 5, 5, 8 and 0 of 20 columns; from 5 to 8, 3 of 8 lit columns change."""
    area = light_area(*container(tmp_path, [bar(n) for n in (5, 5, 8, 0)]))
    assert area.lit.tolist() == [0.25, 0.25, 0.4, 0.0]
    assert np.isnan(area.changed[0])
    assert area.changed[1:].tolist() == [0.0, 0.375, 1.0]


def test_area_of_equal_pixels_in_other_files_is_unchanged(tmp_path: Path) -> None:
    """The same picture, written anew by Pillow: other bytes, no change."""
    again = encoded(Image.open(io.BytesIO(bar(5))).convert("1"))
    assert again != bar(5)
    area = light_area(*container(tmp_path, [bar(5), again, bar(6), bar(6)]))
    assert area.changed[1:].tolist() == [0.0, pytest.approx(1 / 6), 0.0]


def test_area_counts_each_channel_where_one_image_pixel_is_three_of_the_lamp(
    tmp_path: Path,
) -> None:
    """One of 4 pixels has red and blue lit: 2 of 12 lamp pixels."""
    pixels = np.zeros((2, 2, 3), np.uint8)
    pixels[0, 1] = (200, 0, 255)
    area = light_area(*container(tmp_path, [encoded(Image.fromarray(pixels))]))
    assert area.lit.tolist() == [pytest.approx(2 / 12)]


def test_area_of_a_tall_image_is_looked_at_strip_by_strip(tmp_path: Path) -> None:
    """1100 rows are three strips; 7 lit pixels, of which one is new, are found in each."""
    first = np.zeros((1100, 6), np.uint8)
    first[[0, 511, 512, 700, 1023, 1099], 2] = 255
    second = first.copy()
    second[1024, 3] = 255
    area = light_area(*container(tmp_path, [png(first), png(second)]))
    assert area.lit.tolist() == pytest.approx([6 / 6600, 7 / 6600])
    assert area.changed[1] == pytest.approx(1 / 7)


def test_area_of_a_layer_without_image_is_unknown(tmp_path: Path) -> None:
    path, names = container(tmp_path, [bar(5), bar(5)])
    area = light_area(path, (names[0], "", names[1]))
    assert np.isnan(area.lit).tolist() == [False, True, False]
    assert np.isnan(area.changed).all()


def test_area_of_images_that_are_not_as_many_as_the_layers_is_refused(tmp_path: Path) -> None:
    members = truth.members("layers.uvj")
    del members["slice/00000007.png"]
    path = write_zip(tmp_path / "a.uvj", list(members.items()))
    job = read_job(path, ResinTable())
    assert job.findings[-1].code == "resin-layer-count" and len(job.timeline) == 30
    with (
        open_images(job) as images,
        pytest.raises(FileError, match="no images that belong to its layers"),
    ):
        area_of_images(images)


def test_area_of_sizes_that_differ_is_refused(tmp_path: Path) -> None:
    path, names = container(tmp_path, [bar(5), bar(5, width=30)])
    with pytest.raises(FileError) as caught:
        light_area(path, names)
    assert str(caught.value) == (
        f"{path}: 1.png: is 30 x 10 pixels, the layer before 20 x 10. Copy the file "
        "again, or slice the model again."
    )


def test_area_of_a_bomb_is_refused_before_decoding(tmp_path: Path) -> None:
    bomb = bytearray(bar(3))
    struct.pack_into(">II", bomb, 16, 100_000, 100_000)
    struct.pack_into(">I", bomb, 29, zlib.crc32(bytes(bomb[12:29])))
    path, names = container(tmp_path, [bytes(bomb)])
    with pytest.raises(FileError, match="claims 100000 x 100000 pixels, over the limit"):
        light_area(path, names)


def test_area_of_a_damaged_image_is_refused(tmp_path: Path) -> None:
    path, names = container(tmp_path, [bar(3)[:50]])
    with pytest.raises(FileError, match=r"0\.png: is a damaged image \("):
        light_area(path, names)


def test_area_without_pillow_says_how_to_get_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "PIL", None)
    with pytest.raises(CaptureHookError) as caught:
        light_area(*container(tmp_path, [bar(3)]))
    text = "layer images: cannot be looked at: Pillow is not installed. Install it with: "
    assert str(caught.value).startswith(text) and " pillow " in str(caught.value)


def area_of(changed: list[float]) -> LightArea:
    return LightArea(lit=np.full(len(changed), 0.5), changed=np.array(changed))


def test_antialiased_edges_that_flicker_show_nothing_new(tmp_path: Path) -> None:
    """A disc whose grey edge changes by a few levels from layer to layer, in a faint halo that
    comes and goes."""
    yy, xx = np.mgrid[0:200, 0:200] - 99.5
    away = np.hypot(xx, yy)
    flicker = np.random.default_rng(7)
    images = []
    for _ in range(8):
        edge = np.clip((80.3 - away) * 255, 0, 255)
        noise = flicker.integers(-20, 20, edge.shape) * ((edge > 0) & (edge < 255))
        halo = 60 * flicker.integers(0, 2, edge.shape) * ((away > 80.4) & (away < 83))
        images.append(png(np.clip(edge + noise + halo, 0, 255).astype(np.uint8)))
    area = light_area(*container(tmp_path, images))
    assert (area.changed[1:] > 0).any()  # some pixel flickers past half
    assert still_stretches(area, np.arange(1, 9)) == [(1, 8)]
    grown = light_area(*container(tmp_path, [png((away < 40 + n) * 255) for n in range(8)]))
    assert still_stretches(grown, np.arange(1, 9)) == []


def test_still_stretches_by_hand() -> None:
    """Layers 2 to 6 are each like the one before: frames of layers 1 to 6 are alike."""
    area = area_of([np.nan, 0, 0, 0, 0, 0, 0.1, 0, 0.1])
    assert still_stretches(area, np.arange(1, 10)) == [(1, 6)]
    assert still_stretches(area, np.array([1, 2, 6, 9])) == []
    assert still_stretches(area, np.array([1, 2, 4, 6, 9])) == [(1, 6)]
    assert still_stretches(area, np.array([], dtype=np.int64)) == []


@pytest.mark.property
@settings(max_examples=80, deadline=None)
@given(
    changed=st.lists(st.sampled_from([0.0, 0.0, 0.0, 0.2]), min_size=2, max_size=40),
    every=st.integers(1, 3),
)
def test_still_stretches_hold_no_change_inside(changed: list[float], every: int) -> None:
    """Rule: within a stretch no layer after its first differs; a stretch is at least 3 steps."""
    layer_no = np.arange(1, len(changed) + 1)[::every]
    for first, last in still_stretches(area_of(changed), layer_no):
        assert not any(changed[first:last])
        assert last - first >= 3 * every


def test_still_finding_names_the_longest_stretch() -> None:
    (finding,) = still_findings([(3, 6), (10, 30)], "a.zip")
    assert finding.code == "resin-nothing-new"
    assert "25 layers in 2 stretch(es)" in finding.text
    assert "longest: layers 10 to 30" in finding.text
    assert still_findings([], "a.zip") == []


def test_picture_is_sound_xml_with_a_tick_for_each_frame(tmp_path: Path) -> None:
    tern = load_profile("tern")
    assert tern.resin is not None
    images = [bar(n % 7 + 3) for n in range(30)]
    path = write_settings_job(tmp_path / "<a&b>.zip", settings_text(layerHeight=2), images)
    job = read_job(path, tern.resin.model_copy(update={"moves": "lift"}))
    shoot = plan_shoot(job, tern, tern.resin, every=2)
    area = light_area(path, job.images)
    drawing = growth(job, area, shoot, [(20, 26)])
    root = ET.fromstring(drawing)
    paths = [node.get("d", "") for node in root.iter("{http://www.w3.org/2000/svg}path")]
    assert max(path.count("l0 12") for path in paths) == len(shoot.plan.poses) == 8
    words = [node.text for node in root.iter("{http://www.w3.org/2000/svg}text")]
    assert "not seen before layer 15" in words
    assert "alike" in words
    colours = {
        node.get(side) for node in root.iter() for side in ("fill", "stroke") if node.get(side)
    }
    assert colours <= {"#ffffff", "#1a1a1a", "#b5b5b5", "#6b6b6b", "none"}


def test_picture_of_a_very_long_job_stays_small() -> None:
    from capturehook.resin.job import job_of_table

    tern = load_profile("tern")
    assert tern.resin is not None
    table = tern.resin.model_copy(update={"layers": 20_000})
    job = job_of_table(table, "tern")
    shoot = plan_shoot(job, tern, tern.resin)
    area = LightArea(lit=np.linspace(0, 1, 20_000), changed=np.ones(20_000))
    drawing = growth(job, area, shoot, [])
    area_path = max(re.findall(r' d="([^"]*)" fill="#b5b5b5"', drawing), key=len)
    assert 1200 < area_path.count(" ") <= 2 * 2 * 1200 + 8


def test_png_helper_is_read_by_a_library_as_it_was_meant() -> None:
    pixels = np.arange(12, dtype=np.uint8).reshape(3, 4)
    with Image.open(io.BytesIO(png(pixels))) as image:
        np.testing.assert_array_equal(np.asarray(image), pixels)
