"""Damaged files of every kind: one clear error or a right result; never a traceback."""

from __future__ import annotations

import gzip
import io
import struct
import time
import tracemalloc
import zipfile
import zlib
from collections.abc import Callable
from random import Random

import pytest

from capturehook.errors import CaptureHookError, FileError
from capturehook.hosts.door import pose_file, strip_file
from capturehook.jobfile import record
from capturehook.jobfile.open import open_job
from tests.jobfile import checker
from tests.jobfile.samples import JOB, Poser, built

CUTS, FLIPS = 50, 200


def plates() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as box:
        for number in (1, 3):
            name = zipfile.ZipInfo(f"Metadata/plate_{number}.gcode", (2024, 5, 17, 10, 20, 30))
            box.writestr(name, JOB, zipfile.ZIP_DEFLATED)
        box.writestr(zipfile.ZipInfo("Metadata/plate_1.png"), bytes(range(64)))
    return out.getvalue()


KINDS: dict[str, Callable[[], bytes]] = {
    "gzip": lambda: gzip.compress(JOB, 6, mtime=0),
    "binary plain": lambda: built(0, 0),
    "binary packed": lambda: built(1, 0),
    "binary comments": lambda: built(2, 1),
    "binary posed": lambda: pose_file(built(1, 0), "job", Poser()).data,
    "plates": plates,
    "plates posed": lambda: pose_file(plates(), "job", Poser()).data,
    "gzip posed": lambda: pose_file(gzip.compress(JOB, 6, mtime=0), "job", Poser()).data,
}


def tried(data: bytes) -> str:
    """What becomes of a damaged file: its text, or the error's message."""
    try:
        file = open_job(data, "job")
        strip_file(data, "job")
        return "".join(job.text.decode("latin-1") for job in file.jobs)
    except CaptureHookError as fault:
        assert str(fault).startswith(("job: ", "job:"))
        return ""


@pytest.mark.parametrize("kind", KINDS)
def test_cut_file_is_refused_or_read_right(kind: str) -> None:
    whole = KINDS[kind]()
    text = tried(whole)
    assert text
    for at in sorted({round(len(whole) * part / CUTS) for part in range(1, CUTS)}):
        cut = tried(whole[:at])
        assert not cut or text.startswith(cut[:1000])


@pytest.mark.parametrize("kind", KINDS)
def test_flipped_bytes_are_refused_or_do_no_harm(kind: str) -> None:
    whole, rng = KINDS[kind](), Random(kind)
    began = time.monotonic()
    tracemalloc.start()
    for _ in range(FLIPS):
        flipped = bytearray(whole)
        flipped[rng.randrange(len(flipped))] ^= 1 << rng.randrange(8)
        tried(bytes(flipped))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 64 * 2**20
    assert time.monotonic() - began < 120


def test_flipped_bytes_inside_checked_data_never_give_another_text() -> None:
    """CRC32 finds every single flipped bit (gzip, zip and binary jobs alike)."""
    for kind in ("gzip", "binary comments", "plates"):
        whole, rng = KINDS[kind](), Random(7)
        text = tried(whole)
        for _ in range(60):
            flipped = bytearray(whole)
            flipped[rng.randrange(12, len(flipped))] ^= 1 << rng.randrange(8)
            found = tried(bytes(flipped))
            assert not found or found[: len(JOB) // 2] == text[: len(JOB) // 2]


def test_bombs_are_refused_before_they_are_unpacked() -> None:
    zeros = bytes(40 << 20)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as box:
        box.writestr("Metadata/plate_1.gcode", zeros)
    bombs = [gzip.compress(zeros), out.getvalue()]
    tracemalloc.start()
    for bomb in bombs:
        with pytest.raises(FileError, match=r"zip bomb|over the limit"):
            open_job(bomb, "job")
    stored = zlib.compress(zeros, 9)
    head = struct.pack("<HHII", 1, 1, len(zeros), len(stored)) + b"\2\0" + stored
    start = built(2, 1)[: built(2, 1).index(struct.pack("<HH", 1, 1))]
    with pytest.raises(FileError, match=r"zip bomb|over the limit"):
        open_job(start + head + struct.pack("<I", zlib.crc32(head)), "job")
    assert tracemalloc.get_traced_memory()[1] < 64 * 2**20
    tracemalloc.stop()


def test_text_beyond_this_computers_memory_is_refused_of_every_kind(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as box:
        box.writestr("Metadata/plate_1.gcode", JOB)
    kinds = [JOB, gzip.compress(JOB), built(2, 1), out.getvalue()]
    monkeypatch.setattr(record, "memory_bytes", lambda: len(JOB))
    for data in kinds:
        with pytest.raises(FileError, match=r"of text or more, .* this computer has 0\.0 GB"):
            open_job(data, "job")


def test_wrong_checksum_beside_a_plate_is_one_error() -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as box:
        box.writestr("Metadata/plate_1.gcode", JOB)
        box.writestr("Metadata/plate_1.gcode.md5", b"0" * 32)
    with pytest.raises(FileError, match=r"is not the checksum of Metadata/plate_1.gcode"):
        open_job(out.getvalue(), "job")


def test_checker_itself_reads_what_it_writes() -> None:
    for encoding in (0, 1, 2):
        lines = checker.lines_of(built(encoding, 1))
        assert any(line.startswith("G1") for line in lines)
