"""A container with one member replaced: every other member's raw record is the same bytes."""

from __future__ import annotations

import io
import struct
import zipfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from resin_jobs import bar, command_text, local_records, write_command_job, write_zip

from capturehook.errors import FileError
from capturehook.jobfile.zip_raw import replace_member

names = st.text("abcdefgh0123456789_-äß", min_size=1, max_size=12).map(lambda name: name + ".bin")
members = st.dictionaries(names, st.binary(max_size=200), min_size=1, max_size=6)


def details(path: Path) -> list[tuple[object, ...]]:
    """What the table of contents says of each member but its sizes, checksum and place."""
    with zipfile.ZipFile(path) as read:
        return [
            (i.filename, i.date_time, i.compress_type, i.extra, i.comment, i.external_attr)
            for i in read.infolist()
        ]


@pytest.mark.property
@settings(
    max_examples=60,
    deadline=None,
)
@given(members=members, data=st.binary(max_size=500), pick=st.integers(0, 5), stored=st.booleans())
def test_rebuild_copies_all_other_records_raw(
    tmp_path: Path, members: dict[str, bytes], data: bytes, pick: int, stored: bool
) -> None:
    """Rule: only the member asked for changes; order, dates, extras, comments stay."""
    method = zipfile.ZIP_STORED if stored else zipfile.ZIP_DEFLATED
    path = write_zip(tmp_path / "in.zip", list(members.items()), method=method)
    target = list(members)[pick % len(members)]
    out = tmp_path / "out.zip"
    replace_member(path, target, data, out)

    before, after = local_records(path.read_bytes()), local_records(out.read_bytes())
    assert list(after) == list(before)
    assert {n: r for n, r in after.items() if n != target} == {
        n: r for n, r in before.items() if n != target
    }
    assert details(out) == details(path)
    with zipfile.ZipFile(out) as read:
        assert read.testzip() is None
        assert read.read(target) == data
        assert read.comment == b"made by hand"


def test_rebuild_with_the_same_data_and_packing_gives_the_same_file(tmp_path: Path) -> None:
    path = write_command_job(tmp_path / "in.zip", command_text(3), [bar(n) for n in (1, 2, 3)])
    replace_member(path, "run.gcode", command_text(3), tmp_path / "out.zip")
    assert (tmp_path / "out.zip").read_bytes() == path.read_bytes()


def test_rebuild_in_place_keeps_the_mode_and_leaves_no_scrap(tmp_path: Path) -> None:
    path = write_command_job(tmp_path / "in.zip", command_text(1), [bar(1)])
    path.chmod(0o640)
    replace_member(path, "run.gcode", b"other", path)
    assert path.stat().st_mode & 0o777 == 0o640
    assert [entry.name for entry in tmp_path.iterdir()] == ["in.zip"]


class _Stream(io.RawIOBase):
    """A file that cannot be wound back, so the writer must put sizes behind the data."""

    def __init__(self) -> None:
        self.parts = bytearray()

    def writable(self) -> bool:
        return True

    def write(self, data: bytes) -> int:  # type: ignore[override]
        self.parts += data
        return len(data)


def test_rebuild_of_a_streamed_zip_keeps_its_form(tmp_path: Path) -> None:
    """APPNOTE 4.3.9: with flag bit 3 the sizes stand in a descriptor after the data."""
    stream = _Stream()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as out:
        for name in ("first.bin", "run.gcode", "last.bin"):
            out.writestr(name, name.encode() * 20)
    path = tmp_path / "streamed.zip"
    path.write_bytes(bytes(stream.parts))
    before = local_records(path.read_bytes())
    assert before["run.gcode"][-16:-12] == b"PK\x07\x08"

    replace_member(path, "run.gcode", b"G28;\n", path)
    after = local_records(path.read_bytes())
    assert after["first.bin"] == before["first.bin"]
    assert after["last.bin"] == before["last.bin"]
    assert struct.unpack_from("<H", after["run.gcode"], 6)[0] & 0x8
    assert after["run.gcode"][-16:-12] == b"PK\x07\x08"
    with zipfile.ZipFile(path) as read:
        assert read.testzip() is None
        assert read.read("run.gcode") == b"G28;\n"


def test_rebuild_leaves_the_file_when_it_cannot_go_on(tmp_path: Path) -> None:
    path = write_command_job(tmp_path / "in.zip", command_text(1), [bar(1)])
    data = path.read_bytes()
    odd = data[: data.index(b"PK\x05\x06")] + b"??" + data[data.index(b"PK\x05\x06") :]
    path.write_bytes(odd)
    with pytest.raises(FileError) as caught:
        replace_member(path, "run.gcode", b"", path)
    assert str(caught.value) == (
        f"{path}: has bytes its table of contents does not explain; it is not rebuilt. "
        "Write the job as a plain zip."
    )
    assert path.read_bytes() == odd


def test_rebuild_of_a_64_bit_zip_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "big.zip"
    with zipfile.ZipFile(path, "w") as out, out.open("run.gcode", "w", force_zip64=True) as member:
        member.write(b"G28;\n")
    data = bytearray(path.read_bytes())
    end = data.index(b"PK\x05\x06")
    struct.pack_into("<I", data, end + 16, 0xFFFFFFFF)
    path.write_bytes(bytes(data))
    with pytest.raises(FileError, match="has 64-bit records; it is not rebuilt"):
        replace_member(path, "run.gcode", b"", path)
