"""Binary jobs, held against a reader and writer of their own (tests/jobfile/checker.py)."""

from __future__ import annotations

import base64
import hashlib
import json
import struct
import zlib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capturehook.errors import CaptureHookError, FileError
from capturehook.hosts.door import Door, pose_file, strip_file
from capturehook.jobfile.letters import Mode, pack_lines, spaced, unpack, unpack_with_places
from capturehook.jobfile.open import open_job
from tests.jobfile import checker
from tests.jobfile.samples import B1, B3, CELLS, JOB, SAMPLES, Poser, built, places, plain_twin


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda one: one.name[:2])
def test_poses_are_those_of_the_plain_twin_and_strip_gives_the_file_back(sample: Path) -> None:
    data, poser, twin = sample.read_bytes(), Poser(), Poser()
    posed = pose_file(data, sample.name, poser).data
    twin(plain_twin(sample), "twin")
    assert places(poser.done[0]) == places(twin.done[0])
    assert len(poser.done[0].poses) > 50
    assert pose_file(posed, sample.name, Poser()).data == posed
    stripped, poses = strip_file(posed, sample.name)
    assert (stripped.data == data, poses) == (True, len(poser.done[0].poses))


@pytest.mark.parametrize("sample", [B1, B3], ids=lambda one: one.name[:2])
def test_text_is_what_the_slow_reader_unpacks(sample: Path) -> None:
    data = sample.read_bytes()
    found = open_job(data, "job").jobs[0].text.decode("latin-1")
    code = found[: found.index("; Producer") if "; Producer" in found else None].split("\n")
    ours = [line.replace(" ", "") if line[:1] == "G" else line for line in code if line]
    slow = [line.replace(" ", "") if line[:1] == "G" else line for line in checker.lines_of(data)]
    assert ours[: len(slow)] == slow
    assert len(slow) > 5000


@pytest.mark.parametrize("sample", [B1, B3], ids=lambda one: one.name[:2])
def test_output_is_sound_and_untouched_blocks_keep_their_bytes(sample: Path) -> None:
    data = sample.read_bytes()
    posed = pose_file(data, "job", Poser()).data
    old, new = checker.blocks_of(data), checker.blocks_of(posed)
    code = [one for one in new if one.kind == 1]
    assert len({(one.params, one.compression) for one in code}) == 1
    assert {one.whole for one in old if one.kind in (0, 2, 3, 5)} <= {one.whole for one in new}
    for one in code:
        stream = checker.plain_of(one)
        assert len(checker.unpack(stream)) <= 65_536
        assert checker.unpack(stream).endswith("\n")
    was, now = checker.lines_of(data), checker.lines_of(posed)
    rest = iter(now)
    assert all(line in rest for line in was), "a line of the job is gone or out of order"
    assert all(len(line) <= 80 for line in set(now) - set(was))
    assert checker.settings_of(posed, 3) == checker.settings_of(data, 3)


def test_fences_are_comments_where_comments_are_kept_and_a_record_elsewhere() -> None:
    kept = checker.lines_of(pose_file(B1.read_bytes(), "job", Poser()).data)
    assert sum(line.startswith("; capturehook pose") for line in kept) == 122
    packed = pose_file(B3.read_bytes(), "job", Poser()).data
    assert not any(line.startswith(";") for line in checker.lines_of(packed))
    assert "capturehook" in checker.settings_of(packed, 4)
    text = open_job(packed, "job").jobs[0].text
    assert text.count(b"; capturehook pose ") == 290


@pytest.mark.parametrize(("encoding", "compression"), CELLS)
def test_every_encoding_comes_back_byte_for_byte(encoding: int, compression: int) -> None:
    data, poser = built(encoding, compression), Poser()
    posed = pose_file(data, "job", poser).data
    assert len(poser.done[0].poses) == 4
    assert strip_file(posed, "job")[0].data == data
    assert len(checker.blocks_of(posed)) == len(checker.blocks_of(data))


def test_printing_times_outside_the_text_grow_when_asked_and_come_back() -> None:
    data = built(2, 0)
    door = Door(data, "job")
    posed = door.posed([Poser()(job.text, job.name) for job in door.jobs], 3600.0).data
    for kind in (3, 4):
        assert checker.settings_of(posed, kind)["estimated printing time (normal mode)"] == (
            "2h 2m 3s"
        )
    assert strip_file(posed, "job")[0].data == data


def test_a_compressor_that_is_not_zlibs_own_is_kept_in_the_record() -> None:
    """Level 9 gives other bytes than the level the format's library writes."""
    import zlib

    data, parts = built(2, 1), [built(2, 1)[:10]]
    for one in checker.blocks_of(data):
        if one.kind != 1:
            parts.append(one.whole)
            continue
        stored = zlib.compress(checker.plain_of(one), 0)
        head = struct.pack("<HHII", 1, 1, one.size, len(stored)) + one.params + stored
        parts.append(head + struct.pack("<I", zlib.crc32(head)))
    odd = b"".join(parts)
    posed = pose_file(odd, "job", Poser()).data
    assert strip_file(posed, "job")[0].data == odd


def test_metadata_is_read_as_comments_behind_the_text() -> None:
    text = open_job(built(2, 0), "job").jobs[0].text
    assert b"\n; nozzle_diameter = 0.4\n" in text
    assert b"; job_config = begin\n; layer_height = 0.2\n" in text


def test_a_block_that_grows_past_64_kib_is_split_and_joined_again() -> None:
    text = (JOB.decode() + "; padding so that the block is nearly full\n" * 2000)[:65_400]
    text = text[: text.rindex("\n") + 1]
    for encoding in (0, 2):
        data = checker.binary_job(text, encoding=encoding, compression=0, block_lines=10**6)
        assert sum(one.kind == 1 for one in checker.blocks_of(data)) == 1
        posed = pose_file(data, "job", Poser()).data
        code = [checker.plain_of(one) for one in checker.blocks_of(posed) if one.kind == 1]
        assert len(code) == 2
        texts = [checker.unpack(one) if encoding else one.decode() for one in code]
        assert max(map(len, texts)) <= 65_536
        assert strip_file(posed, "job")[0].data == data


@pytest.mark.parametrize("sample", [B1, B3], ids=lambda one: one.stem)
def test_g_code_block_twice_in_a_row_is_refused(sample: Path) -> None:
    """Every checksum is right; in a job without layer marks nothing else would tell it."""
    data = sample.read_bytes()
    blocks = checker.blocks_of(data)
    at = [number for number, one in enumerate(blocks) if one.kind == 1][2]
    start = data.index(blocks[at].stored) - (8 if blocks[at].compression == 0 else 12) - 2
    end = data.index(blocks[at + 1].stored) - (8 if blocks[at + 1].compression == 0 else 12) - 2
    open_job(data, "job")
    with pytest.raises(FileError, match="in G-code blocks 3 and 4: that part would be printed"):
        open_job(data[:end] + data[start:], "job")


def test_mixed_encodings_are_refused_as_the_firmware_would() -> None:
    data = built(2, 0)
    other = checker.block(1, b"G1 X1\n", 0, b"\0\0")
    with pytest.raises(FileError, match="mixes G-code encodings"):
        open_job(data + other, "job")


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda d: d[:4] + b"\2" + d[5:], "version 2"),
        (lambda d: d[:8], "is cut short"),
        (lambda d: d[:-3], "is cut short"),
        (lambda d: d[:-9] + b"?" + d[-8:], "does not match its checksum"),
        (lambda d: d[:10], "holds no G-code block"),
    ],
)
def test_damaged_file_is_one_clear_error(change: object, said: str) -> None:
    with pytest.raises(FileError, match=said):
        open_job(change(built(2, 1)), "job")  # type: ignore[operator]


def test_zlib_g_code_is_told_as_not_printable() -> None:
    assert "does not print" in open_job(built(2, 1), "job").notes[0].replace(
        "not print", "not print"
    )
    assert open_job(built(2, 0), "job").notes == ()


def test_a_lie_in_the_record_is_refused() -> None:
    """A record moved to another job names lines that are not ours: nothing is taken out."""
    from tests.small_jobs import Recipe, make_job

    longer = make_job(Recipe(layers=9)).data.decode()
    other = checker.binary_job(longer, encoding=1, compression=0, block_lines=60)
    posed = pose_file(built(1, 0), "job", Poser()).data
    line = "capturehook=" + checker.settings_of(posed, 4)["capturehook"] + "\n"
    forged = b"".join(
        [
            other[:10],
            *(
                checker.block(4, checker.plain_of(one) + line.encode())
                if one.kind == 4
                else one.whole
                for one in checker.blocks_of(other)
            ),
        ]
    )
    with pytest.raises(CaptureHookError, match=r"does not fit|not as it was written"):
        strip_file(forged, "job")


@pytest.mark.parametrize(
    "lie", [{"joined": [[1, 5, 5]]}, {"kept": {"2": [100, base64.b64encode(b"junk").decode()]}}]
)
def test_a_record_that_would_make_another_job_is_refused(lie: dict[str, object]) -> None:
    """Bytes between blocks that are no commands of the packer; a block kept that is none."""
    posed = pose_file(built(2, 0), "job", Poser()).data
    line = checker.settings_of(posed, 4)["capturehook"]
    record = {**json.loads(zlib.decompress(base64.b64decode(line))), **lie}
    forged = base64.b64encode(zlib.compress(json.dumps(record).encode()))
    whole = posed[:10] + b"".join(
        checker.block(4, checker.plain_of(one).replace(line.encode(), forged))
        if one.kind == 4
        else one.whole
        for one in checker.blocks_of(posed)
    )
    with pytest.raises(CaptureHookError, match=r"record of its pose blocks does not fit"):
        strip_file(whole, "job")


words = st.text("GXYZEF0123456789.- ;MS_abopÿ/?\t", max_size=30)


@settings(deadline=None)
@given(st.lists(words, min_size=1, max_size=12), st.booleans())
def test_packing_and_unpacking_agree_with_the_slow_reader(
    lines: list[str], no_spaces: bool
) -> None:
    """libbgcode meatpack.cpp: what is packed is unpacked, the glued words of a line aside."""
    data = [line.replace("ÿ", "y").encode() + b"\n" for line in lines]
    start = b"\xff\xff\xf7" if no_spaces else b""
    stream = start + pack_lines(data, Mode(False, no_spaces), Mode(True, no_spaces))
    assert unpack(stream).decode() == checker.unpack(stream)
    known = unpack_with_places(stream)
    assert len(known.places) == len(lines) + 1
    assert known.places[-1] <= len(stream)


@settings(deadline=None)
@given(st.binary(max_size=200))
def test_any_stream_is_unpacked_as_the_slow_reader_does_or_refused(noise: bytes) -> None:
    from capturehook.jobfile.letters import PackedError

    stream = b"\xff\xff\xfb" + noise
    try:
        ours = unpack(stream).decode("latin-1")
    except PackedError:
        return
    assert ours == checker.unpack(stream)


def test_spaces_come_back_before_words_of_glued_lines_only() -> None:
    assert spaced(b"G1X10Y-.5E1F9\nM73P5\nGET_POSITION\nG1 X1Y2\n; G1X1\nG28\n") == (
        b"G1 X10 Y-.5 E1 F9\nM73P5\nGET_POSITION\nG1 X1Y2\n; G1X1\nG28\n"
    )


def test_the_record_names_the_file_it_was() -> None:
    from capturehook.jobfile.binary import BinaryJob

    data = B3.read_bytes()
    found = BinaryJob(pose_file(data, "job", Poser()).data, "job")
    assert found.record is not None
    assert found.record.sha256 == hashlib.sha256(data).hexdigest()
