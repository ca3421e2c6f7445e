"""Corners of the binary formats that no sample shows: bytes of samples changed by hand.

What is changed is placed by the public descriptions named in sample_truth.py's tests and in the
modules of the kinds, with `struct` and plain integers.
"""

from __future__ import annotations

import struct
import zipfile
from pathlib import Path

import numpy as np
import pytest
import sample_truth as truth

from capturehook.errors import FileError
from capturehook.model.resin import ResinTable
from capturehook.model.resin_job import ResinJob
from capturehook.resin.area import LayerImages
from capturehook.resin.job import read_job

GOO_HEAD = 195_310
GOO_DELAY_MODE, GOO_OFF, GOO_ADVANCE = GOO_HEAD + 30, GOO_HEAD + 31, GOO_HEAD + 135


def read(tmp_path: Path, data: bytes, table: ResinTable | None = None) -> ResinJob:
    path = tmp_path / "job"
    path.write_bytes(data)
    return read_job(path, table or ResinTable())


def cycle_s(job: ResinJob, layer: int) -> float:
    """Seconds from one light to the next, less the light."""
    timeline = job.timeline
    return float(timeline.flash_on_s[layer] - timeline.flash_off_s[layer - 1])


def ctb_rows(data: bytes) -> list[int]:
    """Offset of each layer's row."""
    table, count = struct.unpack_from("<II", data, 0x40)
    return [table + 36 * n for n in range(count)]


def test_ctb_whose_lift_fields_hold_the_first_stage_alone_takes_the_same_time(
    tmp_path: Path,
) -> None:
    """Early writers of version 4: the lift is then shorter than its second stage."""
    data = bytearray(truth.sample("v4_total.ctb"))
    (p_at,) = struct.unpack_from("<I", data, 0x54)
    struct.pack_into("<f", data, p_at, 3.0)
    struct.pack_into("<f", data, p_at + 8, 2.0)
    bottom = truth.truth("v4_total.ctb")["bottom_layers"]
    for layer, row in enumerate(ctb_rows(data)):
        (at,) = struct.unpack_from("<I", data, row + 12)
        struct.pack_into("<f", data, at - 84 + 40, 3.0 if layer < bottom else 2.0)
    timing = truth.truth("v4_total.ctb")["timing"]["waits"]
    job = read(tmp_path, bytes(data))
    on_s = job.timeline.flash_on_s - job.timeline.flash_on_s[0]
    np.testing.assert_allclose(on_s, timing["light_on"], atol=6e-3)


def test_ctb_of_version_3_adds_the_second_stage_and_takes_its_rests_from_s(tmp_path: Path) -> None:
    """Lift 2 + 5 mm; rest 1 s at the top and 1.25 s down again stand in S, none before the lift."""
    data = bytearray(truth.sample("v4_total.ctb"))
    struct.pack_into("<I", data, 4, 3)
    (p_at,), (s_at,) = (struct.unpack_from("<I", data, at) for at in (0x54, 0x68))
    struct.pack_into("<f", data, p_at, 3.0)
    struct.pack_into("<f", data, p_at + 8, 2.0)
    struct.pack_into("<4f", data, s_at, 4.0, 180.0, 5.0, 240.0)
    struct.pack_into("<3f", data, s_at + 16, 1.5, 90.0, 1.0)
    struct.pack_into("<2f", data, s_at + 0x34, 1.25, 1.0)
    for layer, row in enumerate(ctb_rows(data)):
        (at,) = struct.unpack_from("<I", data, row + 12)
        struct.pack_into("<f", data, at - 84 + 40, 3.0 if layer < 4 else 2.5)
    struct.pack_into("<f", data, ctb_rows(data)[40] + 4, 2.3)  # its record is then another's
    job = read(tmp_path, bytes(data))
    assert job.timeline.lift_mm[[0, 20, 40]].tolist() == [7.0, 7.5, 7.0]
    drop = 6.0 / 4.0 + 1.5 / 1.5
    assert cycle_s(job, 30) == pytest.approx(2.5 / 1.0 + 5 / 4 + 1.0 + drop + 1.25, abs=1e-3)


def test_ctb_with_rests_ignores_its_light_off_time(tmp_path: Path) -> None:
    data = bytearray(truth.sample("v4_total.ctb"))
    before = read(tmp_path, bytes(data)).timeline.total_s
    for row in ctb_rows(data):
        struct.pack_into("<f", data, row + 8, 60.0)
    assert read(tmp_path, bytes(data)).timeline.total_s == before


def test_ctb_layer_record_that_is_another_layers_is_not_believed(tmp_path: Path) -> None:
    """Layers with equal images share one record, which then holds the first user's moves."""
    data = bytearray(truth.sample("v4_total.ctb"))
    rows = ctb_rows(data)
    (at,) = struct.unpack_from("<I", data, rows[20] + 12)
    struct.pack_into("<f", data, at - 84 + 40, 9.0)  # layer 21 lifts 9 mm by its own record
    assert read(tmp_path, bytes(data)).timeline.lift_mm[[19, 20, 21]].tolist() == [7, 9, 7]
    struct.pack_into("<I", data, rows[30] + 12, at)
    shared = read(tmp_path, bytes(data)).timeline.lift_mm
    assert shared[[20, 30]].tolist() == [9, 7]


def test_ctb_image_with_a_key_in_its_header_is_opened(tmp_path: Path) -> None:
    """XOR by words, worked out here with plain integers (catibo, src/crypto.rs)."""
    data, key, layer = bytearray(truth.sample("v2_key0.ctb")), 0x12345678, 15
    at, size = struct.unpack_from("<II", data, ctb_rows(data)[layer] + 12)
    c = (key * 0x2D83CDAC + 0xD8A83423) % 2**32
    x = ((layer * 0x1E1530CD + 0xEC3D47CD) * c) % 2**32
    for n in range(size):
        data[at + n] ^= (x >> (8 * (n % 4))) & 255
        if n % 4 == 3:
            x = (x + c) % 2**32
    struct.pack_into("<I", data, 0x64, key)
    job = read(tmp_path, bytes(data))
    with LayerImages(Path(job.path), job.images, job.stored) as images:
        lit = int(np.count_nonzero(images.read(layer)))
    assert lit == truth.truth("v2_key0.ctb")["area_px"][str(layer)]


def test_first_version_states_no_lift_and_says_so(tmp_path: Path) -> None:
    """[resin] stands in for the moves, and two ways to know them are told."""
    data = bytearray(truth.sample("v2_aa4.cbddlp"))
    struct.pack_into("<I", data, 4, 1)
    struct.pack_into("<I", data, 0x4C, 0)
    job = read(tmp_path, bytes(data), ResinTable(rest_before_s=0))
    assert [finding.code for finding in job.findings] == ["resin-moves-unknown"]
    assert cycle_s(job, 10) == pytest.approx(6.0 + 2.4)


def test_goo_off_time_counts_in_its_mode_alone(tmp_path: Path) -> None:
    """Mode 0: a turn-off time and no waits. 5.625 s of moves of a normal layer lie inside 12 s."""
    data = bytearray(truth.sample("static.goo"))
    waits = cycle_s(read(tmp_path, bytes(data)), 30)
    moves = truth.stages_s(truth.truth("static.goo")["moves_normal"])
    assert waits == pytest.approx(moves + 1.5, abs=1e-3)
    data[GOO_DELAY_MODE] = 0
    struct.pack_into(">f", data, GOO_OFF, 12.0)
    job = read(tmp_path, bytes(data))
    assert cycle_s(job, 30) == pytest.approx(12.0, abs=1e-3)
    assert job.bracket_s is not None
    by_key = read(tmp_path, bytes(data), ResinTable(light_off_from="retract"))
    assert cycle_s(by_key, 30) == pytest.approx(moves + 12.0, abs=1e-3)


def goo_rows(data: bytes) -> list[int]:
    (at,) = struct.unpack_from(">i", data, GOO_HEAD + 160)
    (count,) = struct.unpack_from(">i", data, GOO_HEAD)
    rows = []
    for _ in range(count):
        rows.append(at)
        (size,) = struct.unpack_from(">i", data, at + 66)
        at += 72 + size
    return rows


def test_goo_records_move_in_advance_mode_alone(tmp_path: Path) -> None:
    data = bytearray(truth.sample("static.goo"))
    struct.pack_into(">f", data, goo_rows(data)[30] + 2 + 4 + 4 * 6, 6.0)  # lift of layer 31
    struct.pack_into(">f", data, goo_rows(data)[30] + 2 + 4 + 4 * 10, 9.5)  # its retract
    assert read(tmp_path, bytes(data)).timeline.lift_mm[30] == pytest.approx(7)
    data[GOO_ADVANCE] = 1
    assert read(tmp_path, bytes(data)).timeline.lift_mm[30] == pytest.approx(11)


def test_goo_exposures_that_contradict_its_header_are_told(tmp_path: Path) -> None:
    data = bytearray(truth.sample("static.goo"))
    struct.pack_into(">f", data, goo_rows(data)[30] + 10, 4.0)
    job = read(tmp_path, bytes(data))
    assert [finding.code for finding in job.findings] == ["resin-two-exposures"]


def test_goo_pause_is_told(tmp_path: Path) -> None:
    data = bytearray(truth.sample("static.goo"))
    struct.pack_into(">h", data, goo_rows(data)[12], 1)
    (finding,) = read(tmp_path, bytes(data)).findings
    assert (finding.code, "the first is layer 13" in finding.text) == ("resin-pause", True)


def test_goo_without_its_end_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="end: "):
        read(tmp_path, truth.sample("static.goo")[:-1])


def test_goo_of_fewer_layers_than_it_holds_is_refused(tmp_path: Path) -> None:
    """A smaller count, or another end, is damage: what follows the last layer is the end mark."""
    data = bytearray(truth.sample("static.goo"))
    struct.pack_into(">i", data, GOO_HEAD, 39)
    with pytest.raises(FileError, match="does not come after 39 layers"):
        read(tmp_path, bytes(data))
    data = bytearray(truth.sample("static.goo"))
    data[-1] ^= 4
    with pytest.raises(FileError, match="does not come after 40 layers"):
        read(tmp_path, bytes(data))


def test_tables_of_fewer_layers_than_they_hold_are_refused(tmp_path: Path) -> None:
    data = bytearray(truth.sample("v515.pwmx"))
    (layers_at,) = struct.unpack_from("<I", data, 0x14 + 16)
    struct.pack_into("<I", data, layers_at + 16, 25)
    with pytest.raises(FileError, match="counts 25 layers in 1284 bytes"):
        read(tmp_path, bytes(data))


def tables_516(two_stage: int) -> bytes:
    """Three layers of a version 516 file: 8 slots, HEADER, LAYERDEF, EXTRA; images left out.

    Bottom 3 mm at 1 up and 2 down, then 4 mm at 2 and 4; normal the same at twice the speed.
    """
    front = 0x14 + 8 * 4
    header_at, layers_at = front, front + 16 + 84
    extra_at = layers_at + 16 + 4 + 3 * 32
    end = extra_at + 16 + 56
    out = bytearray(end)
    struct.pack_into("<12s2I", out, 0, b"ANYCUBIC", 516, 8)
    struct.pack_into("<8I", out, 0x14, header_at, 0, 0, 0, layers_at, extra_at, 0, end)
    struct.pack_into("<12sI", out, header_at, b"HEADER", 84)
    body = header_at + 16
    struct.pack_into("<9f", out, body, 50.0, 0.05, 2.0, 0.0, 30.0, 1.0, 7.0, 2.0, 3.0)
    struct.pack_into("<2I", out, body + 0x2C, 8, 4)
    struct.pack_into("<I", out, body + 0x50, two_stage)
    struct.pack_into("<12s2I", out, layers_at, b"LAYERDEF", 4 + 3 * 32, 3)
    for n, light in enumerate((30.0, 2.0, 2.0)):
        row = (0, 0, 7.0, 2.0, light, 0.05, 0, 0)
        struct.pack_into("<2I4f2I", out, layers_at + 20 + 32 * n, *row)
    struct.pack_into("<12sI", out, extra_at, b"EXTRA", 24)
    struct.pack_into("<I6fI6f", out, extra_at + 16, 2, 3, 1, 2, 4, 2, 4, 2, 3, 2, 4, 4, 4, 8)
    return bytes(out)


def test_tables_two_stage_moves_count_only_where_they_are_on(tmp_path: Path) -> None:
    """3/1 + 4/2 + 4/4 + 3/2 = 7.5 s for the bottom layer, half for the others; else 7/2 + 7/3."""
    staged = read(tmp_path, tables_516(1))
    assert [cycle_s(staged, n) for n in (1, 2)] == pytest.approx([7.5, 3.75])
    plain = read(tmp_path, tables_516(0))
    assert [cycle_s(plain, n) for n in (1, 2)] == pytest.approx([7 / 2 + 7 / 3] * 2)
    height = staged.timeline.plate_mm(staged.timeline.flash_off_s[:1] + np.array([1.0, 3.0, 5.0]))
    np.testing.assert_allclose(height, [1.05, 3.05, 7.05], atol=1e-6)  # slowly near the film


def test_tables_in_which_the_machine_chooses_exposures_are_refused(tmp_path: Path) -> None:
    data = bytearray(truth.sample("v517_perlayer.pm5"))
    struct.pack_into("<I", data, 0x0C, 518)
    with pytest.raises(FileError, match="the machine chooses exposures"):
        read(tmp_path, bytes(data))


def test_pulses_that_are_no_layers_are_told(tmp_path: Path) -> None:
    """An empty first layer of 0.01 s, and a layer lit twice at one height."""
    data = bytearray(truth.sample("v2_key0.ctb"))
    rows = ctb_rows(data)
    struct.pack_into("<f", data, rows[0] + 4, 0.01)
    struct.pack_into("<f", data, rows[11], struct.unpack_from("<f", data, rows[10])[0])
    job = read(tmp_path, bytes(data))
    assert {f.code for f in job.findings} >= {"resin-short-pulse", "resin-same-height"}


@pytest.mark.parametrize("light", [0.0, -1.0, 601.0, float("nan"), float("inf")])
def test_exposure_that_no_printer_has_is_refused_with_its_layer(
    tmp_path: Path, light: float
) -> None:
    data = bytearray(truth.sample("v2_key0.ctb"))
    struct.pack_into("<f", data, ctb_rows(data)[6] + 4, light)
    with pytest.raises(FileError, match=r"layer 7: exposure .* cannot be"):
        read(tmp_path, bytes(data))


def rezipped(tmp_path: Path, name: str, member: str, old: bytes, new: bytes) -> ResinJob:
    """The job of a sample zip in which one member's text is changed."""
    path = tmp_path / name
    with zipfile.ZipFile(path, "w") as out:
        for one, data in truth.members(name).items():
            assert one != member or old in data
            out.writestr(one, data.replace(old, new) if one == member else data)
    return read_job(path, ResinTable())


def test_vdt_off_delay_counts_only_where_there_are_no_waits(tmp_path: Path) -> None:
    old, new = b'"light_off_delay": 0', b'"light_off_delay": 50'
    job = rezipped(tmp_path, "layers.vdt", "manifest.json", old, new)
    assert job.timeline.total_s == pytest.approx(407.7, abs=1e-2)
    assert job.bracket_s is None


def test_job_that_tries_exposures_side_by_side_is_told(tmp_path: Path) -> None:
    new = b"numFade = 10\ncalibrateRegions = 4\ncalibrateTime = 1"
    job = rezipped(tmp_path, "tilt.sl1", "config.ini", b"numFade = 10", new)
    assert [finding.code for finding in job.findings] == ["resin-calibration"]
