"""gzip and packed plates through the commands: kind kept, unpacked, stripped, plates chosen."""

from __future__ import annotations

import gzip
import hashlib
import io
import shutil
import struct
import subprocess
import zipfile
from pathlib import Path
from typing import Any

import pytest

from capturehook.errors import FileError
from capturehook.hosts.door import pose_file, strip_file
from capturehook.jobfile.fence import strip_bytes
from capturehook.jobfile.open import open_job
from capturehook.jobfile.record import Edit
from tests.adapters.host_calls import has_poses
from tests.cli.calling import call
from tests.jobfile.samples import B1, JOB, P1, Poser
from tests.jobfile.test_damage import plates


@pytest.mark.parametrize("level", [1, 6, 9])
def test_gzip_stays_gzip_and_comes_back_byte_for_byte(level: int) -> None:
    data = gzip.compress(JOB, level, mtime=12345)
    posed = pose_file(data, "job.gcode.gz", Poser()).data
    assert has_poses(gzip.decompress(posed))
    assert pose_file(posed, "job", Poser()).data == posed
    assert strip_file(posed, "job")[0].data == data


@pytest.mark.skipif(not shutil.which("gzip"), reason="the program gzip packs in its own way")
def test_gzip_of_the_program_comes_back_byte_for_byte(tmp_path: Path) -> None:
    (tmp_path / "part.gcode").write_bytes(JOB * 1)
    subprocess.run(["gzip", "-9", tmp_path / "part.gcode"], check=True)
    data = (tmp_path / "part.gcode.gz").read_bytes()
    posed = pose_file(data, "job", Poser()).data
    assert strip_file(posed, "job")[0].data == data
    (tmp_path / "posed.gz").write_bytes(posed)
    out = subprocess.run(["gzip", "-dc", tmp_path / "posed.gz"], check=True, capture_output=True)
    assert has_poses(out.stdout)


def test_lines_of_others_survive_strip_in_every_packed_kind(tmp_path: Path) -> None:
    """A script that ran after us added a line: it stays, and the packed bytes are told as new."""
    (tmp_path / "part.gcode").write_bytes(JOB)
    subprocess.run(["gzip", "-9", tmp_path / "part.gcode"], check=True)
    posed = pose_file((tmp_path / "part.gcode.gz").read_bytes(), "job", Poser()).data
    door = open_job(posed, "job")
    text = door.jobs[0].text
    later = door.posed({0: [Edit(len(text), len(text), b"; by another\n")]}).data
    stripped = strip_file(later, "job")[0]
    assert open_job(stripped.data, "job").jobs[0].text == JOB + b"; by another\n"


def test_packed_job_in_a_gzip_says_what_to_do() -> None:
    with pytest.raises(FileError, match="packed once more by gzip"):
        open_job(gzip.compress(B1.read_bytes()), "job.gz")


def test_all_plates_are_filmed_or_the_one_that_is_named() -> None:
    poser = Poser()
    both = pose_file(plates(), "job", poser).data
    assert len(poser.done) == 2
    third = pose_file(plates(), "job", Poser(), plate=3).data
    with zipfile.ZipFile(io.BytesIO(third)) as box:
        assert box.testzip() is None
        assert box.read("Metadata/plate_1.gcode") == JOB
        assert has_poses(box.read("Metadata/plate_3.gcode"))
    assert strip_file(both, "job")[0].data == strip_file(third, "job")[0].data == plates()
    with pytest.raises(FileError, match=r"has no plate 2. It has plates 1, 3"):
        pose_file(plates(), "job", Poser(), plate=2)


def test_foreign_deflate_is_kept_beside_the_plate() -> None:
    """A level-9 stream stands for a packer that zlib at its default does not match."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as box:
        box.writestr("Metadata/plate_1.gcode", JOB)
    posed = pose_file(out.getvalue(), "job", Poser()).data
    assert strip_file(posed, "job")[0].data == out.getvalue()


def test_sample_plate_keeps_its_other_members_and_renews_its_checksum() -> None:
    data = P1.read_bytes()
    posed = pose_file(data, "job", Poser()).data
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(io.BytesIO(posed)) as new:
        assert new.testzip() is None
        assert new.namelist()[: len(old.namelist())] == old.namelist()
        text = new.read("Metadata/plate_1.gcode")
        assert new.read("Metadata/plate_1.gcode.md5").decode() == (
            hashlib.md5(text).hexdigest().upper()
        )
        for info in old.infolist():
            if ".gcode" not in info.filename or "rels" in info.filename:
                assert old.read(info) == new.read(info.filename)
    assert strip_bytes(text) == open_job(data, "job").jobs[0].text


def test_commands_take_every_kind(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for sample in (B1, P1):
        job = tmp_path / "job.tmp"  # a host's temporary name says nothing
        shutil.copy(sample, job)
        for words in (["inspect"], ["plan"], ["apply", "--dry-run"]):
            code, out, err = call(capsys, *words, job, "-p", "heron")
            assert code in (0, 1), err
            assert "Traceback" not in err and out
        code, out, _ = call(capsys, "apply", job, "-p", "heron")
        assert "61 poses, adds " in out
        unpacked = tmp_path / "text.gcode"
        call(capsys, "apply", job, "-p", "heron", "-o", unpacked)
        assert unpacked.read_bytes().count(b"; capturehook pose ") == 122
        call(capsys, "strip", job)
        assert job.read_bytes() == sample.read_bytes()


def test_several_plates_need_a_number_where_one_job_is_meant(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = tmp_path / "two.gcode.3mf"
    job.write_bytes(plates())
    code, _, err = call(capsys, "plan", job, "-p", "heron")
    assert code == 2 and "has plates 1, 3. Name one with --plate." in err
    assert call(capsys, "plan", job, "-p", "heron", "--plate", 3)[0] in (0, 1)


def test_a_first_line_with_a_checksum_is_told() -> None:
    assert "checksum" in open_job(b"; MD5:0123\n" + JOB, "job").notes[0]
    assert open_job(JOB, "job").notes == ()


def test_a_project_without_plates_says_so() -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as box:
        box.writestr("3D/3dmodel.model", b"<model/>")
    with pytest.raises(FileError, match="holds no sliced plate"):
        open_job(out.getvalue(), "job")


class Sink(io.RawIOBase):
    """Cannot be sought: sizes then go behind the data (APPNOTE 4.3.9)."""

    def __init__(self) -> None:
        self.data = bytearray()

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        self.data += bytes(data)
        return len(data)


def with_long_end(data: bytes, *, only_there: bool) -> bytes:
    """The 64-bit end record and its locator before the short one (APPNOTE 4.3.14, 4.3.15)."""
    at = data.rfind(b"PK\5\6")
    count, size, start = struct.unpack_from("<H2I", data, at + 10)
    long = struct.pack("<4sQ2H2I4Q", b"PK\6\6", 44, 45, 45, 0, 0, count, count, size, start)
    short = data[at : at + 8] + b"\xff" * 12 + b"\0\0" if only_there else data[at:]
    return data[:at] + long + struct.pack("<4sIQI", b"PK\6\7", 0, at, 1) + short


@pytest.mark.parametrize("streamed", [False, True])
@pytest.mark.parametrize("end", ["short", "long", "only long"])
def test_plates_with_64_bit_sizes_keep_them(streamed: bool, end: str) -> None:
    """Some hosts declare their texts so, however small; the standard library reads the result."""
    sink = Sink() if streamed else io.BytesIO()
    with zipfile.ZipFile(sink, "w", zipfile.ZIP_DEFLATED) as box:
        with box.open("plate_1.gcode", "w", force_zip64=True) as member:
            member.write(JOB)
        box.writestr("last.txt", b"last")
    data = bytes(sink.data) if isinstance(sink, Sink) else sink.getvalue()
    if end != "short":
        data = with_long_end(data, only_there=end == "only long")
    posed = pose_file(data, "box", Poser()).data
    with zipfile.ZipFile(io.BytesIO(posed)) as box:
        assert box.testzip() is None and box.read("last.txt") == b"last"
        assert box.read("plate_1.gcode").count(b"; capturehook pose ") == 2 * 4
        known = box.getinfo("plate_1.gcode")
    sizes = struct.unpack_from("<2Q", posed, 30 + len("plate_1.gcode") + 4)
    assert sizes == ((0, 0) if streamed else (known.file_size, known.compress_size))
    assert strip_file(posed, "box")[0].data == data
