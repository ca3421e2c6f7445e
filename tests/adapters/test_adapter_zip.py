"""`zip_job.py`: only the job inside and its checksum change (PKWARE APPNOTE.TXT records)."""

from __future__ import annotations

import hashlib
import io
import os
import stat
import zipfile
from pathlib import Path

import pytest

from capturehook.errors import FileError
from capturehook.hosts.edit import edit_file
from capturehook.hosts.summary import Posing
from capturehook.profile import load_profile
from tests.adapters.host_calls import EMPTY_JOB, JOB, call, has_poses, one_line, scraps

INNER = "Metadata/plate é 1.gcode"
PICTURE = bytes(range(256)) * 9
THEN = (2024, 5, 17, 10, 20, 30)


def make_zip(path: Path, members: dict[str, bytes], stored: tuple[str, ...] = ()) -> None:
    with zipfile.ZipFile(path, "w") as out:
        for name, data in members.items():
            info = zipfile.ZipInfo(name, THEN)
            info.compress_type = zipfile.ZIP_STORED if name in stored else zipfile.ZIP_DEFLATED
            info.comment = b"of " + name.encode()
            out.writestr(info, data)
        out.comment = b"a lighthouse"


def members_of(path: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(path) as found:
        assert found.testzip() is None
        return {info.filename: found.read(info) for info in found.infolist()}


def raw_of(path: Path) -> dict[str, tuple[bytes, bytes, object, int]]:
    """Of each member the packed bytes, comment, date and flags, as they stand on disk."""
    data = path.read_bytes()
    out = {}
    with zipfile.ZipFile(io.BytesIO(data)) as found:
        for info in found.infolist():
            with zipfile.ZipFile(io.BytesIO(data)).open(info) as member:
                start = member._orig_compress_start  # type: ignore[attr-defined]
            packed = data[start : start + info.compress_size]
            out[info.filename] = (packed, info.comment, info.date_time, info.external_attr)
    return out


@pytest.fixture
def box(tmp_path: Path) -> Path:
    path = tmp_path / "light house é.zip"
    md5 = hashlib.md5(JOB).hexdigest().upper().encode()
    sha = hashlib.sha256(JOB).hexdigest().encode()
    members = {
        "model/part.xml": b"<part/>" * 50,
        "Metadata/picture.png": PICTURE,
        INNER: JOB,
        INNER + ".md5": md5,
        INNER + ".sha256": sha + b"  plate.gcode\n",
        "Metadata/other.md5": b"0" * 32,
        "last.txt": b"end",
    }
    make_zip(path, members, stored=("Metadata/picture.png", INNER + ".md5"))
    return path


def test_only_the_inner_job_and_its_checksums_change(box: Path) -> None:
    before, order = raw_of(box), list(members_of(box))
    done = call("zip_job.py", "-p", "heron", box, cwd=box.parent, new_python=True)
    assert (done.returncode, done.stdout) == (0, b"")
    assert one_line(done.stderr).startswith(f"{box}: 4 poses, adds ")
    after, found = raw_of(box), members_of(box)
    assert list(found) == order
    changed = {name for name in order if after[name] != before[name]}
    assert changed == {INNER, INNER + ".md5", INNER + ".sha256"}
    assert has_poses(found[INNER])
    assert found[INNER + ".md5"] == hashlib.md5(found[INNER]).hexdigest().upper().encode()
    sha = hashlib.sha256(found[INNER]).hexdigest().encode()
    assert found[INNER + ".sha256"] == sha + b"  plate.gcode\n"
    assert [after[name][1:] for name in order] == [before[name][1:] for name in order]
    with zipfile.ZipFile(box) as rebuilt:
        assert rebuilt.comment == b"a lighthouse"
    assert scraps(box.parent) == []


def test_twice_is_once_and_strip_gives_the_container_back(box: Path) -> None:
    first = box.read_bytes()
    assert call("zip_job.py", "-p", "heron", box, cwd=box.parent).returncode == 0
    once = box.read_bytes()
    assert call("zip_job.py", "-p", "heron", box, cwd=box.parent).returncode == 0
    assert box.read_bytes() == once
    assert call("zip_job.py", "-p", "heron", "--strip", box, cwd=box.parent).returncode == 0
    assert box.read_bytes() == first


def test_result_may_go_elsewhere(box: Path, tmp_path: Path) -> None:
    before, out = box.read_bytes(), tmp_path / "out é.zip"
    done = call("zip_job.py", "-p", "heron", "-o", out, box, cwd=tmp_path)
    assert done.returncode == 0
    assert box.read_bytes() == before
    assert has_poses(members_of(out)[INNER])
    plain = tmp_path / "plain.zip"
    edit_file(box, None, out=plain)
    assert plain.read_bytes() == before


def test_every_job_inside_is_changed(tmp_path: Path) -> None:
    path = tmp_path / "two.zip"
    make_zip(path, {"a.gcode": JOB, "b.GCODE": JOB, "c.txt": JOB})
    edit_file(path, Posing(load_profile("heron")))
    found = members_of(path)
    assert has_poses(found["a.gcode"])
    assert has_poses(found["b.GCODE"])
    assert found["c.txt"] == JOB


@pytest.mark.parametrize(
    ("members", "said"),
    [
        ({"a.txt": b"x"}, "holds no sliced plate (no member that ends in .gcode). Slice the plate"),
        ({"a.gcode": EMPTY_JOB}, "no move has laid any plastic"),
        ({"a.gcode": JOB, "a.gcode.md5": b"0" * 32}, "a.gcode.md5: is not the checksum of a.gcode"),
        (
            {"run.gcode": JOB, "1.png": b"x", "2.png": b"x"},
            "is a resin job. Use `capturehook resin",
        ),
        ({"config.ini": b"x", "a1.png": b"x", "a2.png": b"x"}, "is a resin job. Use `capture"),
    ],
)
def test_container_that_will_not_do_stays_as_it_is(
    members: dict[str, bytes], said: str, tmp_path: Path
) -> None:
    path = tmp_path / "box.zip"
    make_zip(path, members)
    before = path.read_bytes()
    done = call("zip_job.py", "-p", "heron", path, cwd=tmp_path)
    assert done.returncode == 2
    assert said in one_line(done.stderr)
    assert path.read_bytes() == before
    assert scraps(tmp_path) == []


def test_no_zip_and_a_cut_zip_stay_as_they_are(box: Path, tmp_path: Path) -> None:
    plain = tmp_path / "plain.gcode"
    plain.write_bytes(b"plain words\n")
    cut = tmp_path / "cut.zip"
    cut.write_bytes(box.read_bytes()[:-40])
    for path in (plain, cut):
        before = path.read_bytes()
        done = call("zip_job.py", "-p", "heron", path, cwd=tmp_path)
        assert done.returncode == 2
        one_line(done.stderr)
        assert path.read_bytes() == before


def test_disk_that_fails_leaves_the_container_whole(
    box: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before, real = box.read_bytes(), os.fsync

    def failing(handle: int) -> None:
        if stat.S_ISREG(os.fstat(handle).st_mode):
            raise OSError(28, "No space left on device")
        real(handle)

    monkeypatch.setattr(os, "fsync", failing)
    with pytest.raises(FileError) as caught:
        edit_file(box, Posing(load_profile("heron")))
    assert str(caught.value).startswith(f"{box}: could not be written (No space left on device)")
    assert box.read_bytes() == before
    assert scraps(box.parent) == []
