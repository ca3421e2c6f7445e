"""The sample containers: every layer, exposure and instant of the lamp equals its truth.

Truth and a second look at the bytes stand in sample_truth.py, which imports nothing of ours.
"""

from __future__ import annotations

import struct
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import sample_truth as truth

from capturehook.errors import FileError, GcodeError
from capturehook.model.resin import ResinTable
from capturehook.model.resin_job import ResinJob
from capturehook.read.source import open_source
from capturehook.resin.area import LayerImages
from capturehook.resin.job import load_resin_profile, read_job
from capturehook.resin.shoot import plan_shoot

READING = {"max": "lift", "add": "retract", "without_off": "none"}
"""The truth's word for what a light-off time means -> ours."""
CASES = [
    (name, convention)
    for name in (*truth.BINARY, "layers.uvj", "layers.vdt", "commands.zip")
    for convention in truth.truth(name)["timing"]
]


def read(tmp_path: Path, name: str, table: ResinTable | None = None) -> ResinJob:
    path = tmp_path / name
    path.write_bytes(truth.sample(name))
    return read_job(path, table or ResinTable())


@pytest.mark.parametrize("name", truth.BINARY)
def test_truth_agrees_with_the_bytes_and_with_sums_by_hand(name: str) -> None:
    facts = truth.truth(name)
    rows = truth.raw_layers(name)
    assert [light for _, light in rows] == pytest.approx(truth.exposures(name), abs=1e-4)
    heights = [facts["layer_height"] * (n + 1) for n in range(facts["layers"])]
    assert [z for z, _ in rows] == pytest.approx(heights, abs=1e-3)
    for convention, timing in facts["timing"].items():
        on, total = truth.instants_by_hand(name, convention)
        assert [*on, total] == pytest.approx([*timing["light_on"], timing["total"]], abs=1e-3)


@pytest.mark.parametrize(("name", "convention"), CASES)
def test_container_has_the_layers_exposures_and_instants_of_its_truth(
    tmp_path: Path, name: str, convention: str
) -> None:
    facts, timing = truth.truth(name), truth.truth(name)["timing"][convention]
    table = ResinTable(light_off_from=READING.get(convention))  # type: ignore[arg-type]
    timeline = read(tmp_path, name, table).timeline
    assert len(timeline) == facts["layers"]
    light_s = timeline.flash_off_s - timeline.flash_on_s
    np.testing.assert_allclose(light_s, truth.exposures(name), atol=2e-4)
    on_s = timeline.flash_on_s - timeline.flash_on_s[0]
    np.testing.assert_allclose(on_s, timing["light_on"], atol=6e-3)
    if name != "commands.zip":  # the last cycle of its truth ends with the wait before a light
        assert timeline.total_s == pytest.approx(timing["total"], abs=6e-3)
    np.testing.assert_allclose(
        timeline.z_mm, facts["layer_height"] * np.arange(1, len(timeline) + 1), atol=1e-4
    )


@pytest.mark.parametrize(
    ("name", "off"), [("v2_key0.ctb", "lift"), ("v1.pws", "retract"), ("layers.uvj", "lift")]
)
def test_light_off_time_is_read_as_is_likeliest_and_bracketed(
    tmp_path: Path, name: str, off: str
) -> None:
    """What sources differ on shows as a bracket from the fastest to the slowest total."""
    job = read(tmp_path, name)
    by_key = read(tmp_path, name, ResinTable(light_off_from=off))  # type: ignore[arg-type]
    assert job.timeline.total_s == by_key.timeline.total_s
    totals = [timing["total"] for timing in truth.truth(name)["timing"].values()]
    assert job.bracket_s == pytest.approx((min(totals), max(totals)), abs=6e-3)


@pytest.mark.parametrize("name", truth.BINARY)
def test_layer_images_have_as_many_lit_pixels_as_their_truth(tmp_path: Path, name: str) -> None:
    job, facts = read(tmp_path, name), truth.truth(name)
    wide, high = facts["resolution"]
    with LayerImages(Path(job.path), job.images, job.stored) as images:
        for layer, lit in facts["area_px"].items():
            pixels = images.read(int(layer))
            assert pixels.shape == (high, wide)
            assert int(np.count_nonzero(pixels)) == lit
    assert job.stored is not None
    assert job.stored.pitch_mm == pytest.approx(facts["pitch_mm"], rel=1e-5)
    if name.endswith((".pwmx", ".pm5", ".pws")):
        stated = job.stored.lit_px[[int(layer) for layer in facts["area_px"]]]
        assert stated.tolist() == list(facts["area_px"].values())


def test_tilting_job_takes_its_stated_time_and_lights_its_layers(tmp_path: Path) -> None:
    """Sliced by a host: 44 fast and 16 slow tilts, told apart by area; stated 971 s."""
    name = "tilt_fast_mixed_area.sl1"
    job, facts = read(tmp_path, name), truth.truth(name)
    assert job.timeline.total_s == pytest.approx(facts["stated_total"], rel=0.03)
    timing = facts["timing"]["stated_formula"]
    on_s = job.timeline.light_on_s
    np.testing.assert_allclose(on_s - on_s[0], timing["light_on"], atol=6e-3)
    assert job.timeline.lift_mm.max() == 0
    assert job.timeline.plate_mm(np.array([500.0])) < 3.01  # the plate never rises
    assert (job.findings, job.bracket_s) == ((), pytest.approx((907.0, 1147.0)))


def test_tilting_job_whose_areas_do_not_tell_keeps_its_count(tmp_path: Path) -> None:
    """No image is over half lit, yet the job counts 10 slow layers: those with most light."""
    job, facts = read(tmp_path, "tilt.sl1"), truth.truth("tilt.sl1")
    timing = facts["timing"]["stated_formula"]
    assert job.timeline.total_s == pytest.approx(timing["total"])
    on_s = job.timeline.light_on_s
    np.testing.assert_allclose(on_s[:20] - on_s[0], timing["light_on"][:20], atol=6e-3)
    assert "(by area alone 0 would be)" in job.assumed[0]


def test_stated_time_alone_gives_the_dark_of_each_layer(tmp_path: Path) -> None:
    """dark = (stated - light) / layers: a settings zip without tilts, 40 layers, 722 s."""
    import io
    import zipfile

    path = tmp_path / "stated.zip"
    with zipfile.ZipFile(path, "w") as out:
        for name, data in truth.members("tilt.sl1").items():
            if name != "settings.ini":
                out.writestr(name, data)
    assert zipfile.is_zipfile(io.BytesIO(path.read_bytes()))
    job = read_job(path, ResinTable())
    dark_s = (722.0 - sum(truth.exposures("tilt.sl1"))) / 40
    gaps_s = job.timeline.flash_on_s[1:] - job.timeline.flash_off_s[:-1]
    np.testing.assert_allclose(gaps_s, dark_s, atol=1e-3)
    assert job.findings == ()


def test_job_whose_moves_are_code_of_the_machine_says_what_is_missing(tmp_path: Path) -> None:
    job = read(tmp_path, "plate.zip")
    assert job.timeline.light_s == pytest.approx(sum(truth.exposures("plate.zip")), abs=1e-3)
    assert [finding.code for finding in job.findings] == ["resin-moves-unknown"]


def test_layers_own_record_rules_over_the_header(tmp_path: Path) -> None:
    """Layer 21 has an exposure of its own, layer 31 a lift of its own."""
    timeline = read(tmp_path, "v517_perlayer.pm5").timeline
    assert timeline.lift_mm[[29, 30, 31]].tolist() == [6, 10, 6]
    light_s = timeline.flash_off_s - timeline.flash_on_s
    assert light_s[[19, 20, 21]] == pytest.approx([2.2, 5.0, 2.2])


@pytest.mark.parametrize(
    ("name", "every", "layers", "film_s"),
    [
        ("v2_key0.ctb", 1, 30, 3.0),  # 30 frames at 30 fps and 2 s of hold
        ("static.goo", 3, 14, 14 / 30 + 2),  # layers 1, 4, ... 40
        ("v4_total.ctb", 2, 25, 25 / 30 + 2),  # layers 2, 4, ... 50
    ],
)
def test_film_of_a_container_is_as_long_as_by_hand(
    tmp_path: Path, name: str, every: int, layers: int, film_s: float
) -> None:
    profile, table = load_resin_profile("tern")
    low = table.model_copy(update={"vat_rim_mm": 0.001})
    shoot = plan_shoot(read(tmp_path, name, low), profile, low, every)
    assert len(shoot.plan.poses) == layers
    assert shoot.film_s == pytest.approx(film_s)
    assert Fraction(shoot.plan.fps) == 30


@pytest.mark.parametrize(
    ("name", "what"),
    [("refuse_encrypted.ctb", "a .ctb job whose settings are enciphered"), ("refuse.phz", ".phz")],
)
def test_enciphered_job_is_named_and_two_ways_are_shown(
    tmp_path: Path, name: str, what: str
) -> None:
    with pytest.raises(FileError) as caught:
        read(tmp_path, name)
    words = str(caught.value)
    assert what in words
    assert "--layers 1200 --layer-mm 0.05 --exposure-s 2.5 --bottom 5x30 --lift 6@60" in words
    assert "--clock 100=0:31:40" in words
    assert "\n" not in words
    with pytest.raises(GcodeError, match=r"of a resin printer. Use `capturehook resin`"):
        open_source((tmp_path / name).read_bytes(), name)


@pytest.mark.parametrize(
    ("name", "at", "version"), [("v517_perlayer.pm5", 12, 518), ("v4_total.ctb", 4, 9)]
)
def test_newer_version_is_named_and_two_ways_are_shown(
    tmp_path: Path, name: str, at: int, version: int
) -> None:
    data = bytearray(truth.sample(name))
    struct.pack_into("<I", data, at, version)
    (tmp_path / name).write_bytes(data)
    with pytest.raises(FileError, match=f"is of version {version}.* Two ways work without"):
        read_job(tmp_path / name, ResinTable())
