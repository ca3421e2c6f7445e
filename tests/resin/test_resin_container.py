"""One test for each way a container can be bad: one clear error, word for word.

Field places are those of PKWARE's APPNOTE.TXT, 4.3.7 (local header), 4.3.12 (central header)
and 4.3.16 (end record); PNG fields those of the PNG specification (11.2.2 IHDR).
"""

from __future__ import annotations

import stat
import struct
import warnings
import zipfile
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from resin_jobs import bar, command_text, png, write_command_job, write_zip

from capturehook.catalog.containers.zip_file import Container, Limits
from capturehook.errors import CaptureHookError, FileError
from capturehook.model.resin import ResinTable
from capturehook.resin.job import read_job

SUSPECT = "Do not use this file; get the job from where it was sliced."
AGAIN = "Copy the file again, or slice the model again."


def message(path: Path, limits: Limits | None = None) -> str:
    with pytest.raises(FileError) as caught, Container(path, limits) as container:
        for name in container.names:
            container.read(name)
    return str(caught.value)


@pytest.fixture
def job(tmp_path: Path) -> Path:
    return write_command_job(tmp_path / "job.zip", command_text(2), [bar(4), bar(5)])


def patched(path: Path, change: Callable[[bytearray], object]) -> Path:
    data = bytearray(path.read_bytes())
    change(data)
    path.write_bytes(bytes(data))
    return path


def central(data: bytearray, number: int) -> int:
    """Offset of the central header of a member, from 0."""
    at = data.index(b"PK\x01\x02")
    for _ in range(number):
        at = data.index(b"PK\x01\x02", at + 4)
    return at


def test_container_sound_reads_every_member(job: Path) -> None:
    with Container(job) as container:
        assert container.names == ("run.gcode", "preview.png", "1.png", "2.png")
        assert container.read("run.gcode") == command_text(2)
        assert container.read_image("1.png", (20, 10)) == container.read("1.png")


def test_container_missing_file_says_so(tmp_path: Path) -> None:
    path = tmp_path / "none.zip"
    assert message(path) == (
        f"{path}: cannot be read (No such file or directory). Check the path and its rights."
    )


def test_container_of_plain_text_is_no_zip(tmp_path: Path) -> None:
    path = tmp_path / "run.gcode"
    path.write_bytes(command_text(1))
    assert (
        message(path) == f"{path}: is not a zip container. Name a resin job, or give its "
        "numbers by flags (see --help)."
    )


def test_container_empty_file_is_no_zip(tmp_path: Path) -> None:
    path = tmp_path / "empty.zip"
    path.write_bytes(b"")
    assert "is not a zip container" in message(path)


def test_container_cut_short_misses_its_table(job: Path) -> None:
    job.write_bytes(job.read_bytes()[:-60])
    assert message(job) == f"{job}: is cut short: its table of contents is missing. {AGAIN}"


def test_container_with_its_middle_missing_is_damaged(job: Path) -> None:
    data = job.read_bytes()
    job.write_bytes(data[:100] + data[160:])
    assert message(job).startswith(f"{job}")
    assert "damaged" in message(job)
    assert message(job).endswith(AGAIN)


def test_container_with_a_flipped_bit_names_the_member(tmp_path: Path) -> None:
    path = write_zip(tmp_path / "a.zip", [("1.png", b"0123456789")], method=zipfile.ZIP_STORED)
    patched(path, lambda data: data.__setitem__(data.index(b"0123"), 0x39))
    assert message(path) == f"{path}: 1.png: is damaged (Bad CRC-32 for file '1.png'). {AGAIN}"


def test_container_with_too_many_members_is_refused(job: Path) -> None:
    assert message(job, Limits(members=3)) == (
        f"{job}: holds 4 members, over the limit of 3. {SUSPECT}"
    )


def test_container_with_a_member_too_large_is_refused(job: Path) -> None:
    size = len(command_text(2))
    assert message(job, Limits(member_bytes=size - 1)) == (
        f"{job}: run.gcode: would unpack to {size} bytes, over the limit of {size - 1}. {SUSPECT}"
    )


def test_container_with_a_text_too_long_to_follow_is_refused_unread(job: Path) -> None:
    size = len(command_text(2))
    with pytest.raises(FileError) as caught:
        read_job(job, ResinTable(), Limits(text_bytes=size - 1))
    assert str(caught.value) == (
        f"{job}: run.gcode: is a text of {size} bytes, over the limit of {size - 1}. {SUSPECT}"
    )


def test_container_whose_table_is_said_to_stand_too_far_back_names_the_member(job: Path) -> None:
    def later(data: bytearray) -> None:
        at = data.rindex(b"PK\5\6") + 16
        struct.pack_into("<I", data, at, 2 * len(data))

    patched(job, later)
    assert message(job).endswith(f"is damaged (it would begin before the file does). {AGAIN}")


def test_container_too_large_in_all_is_refused(tmp_path: Path) -> None:
    path = write_zip(tmp_path / "a.zip", [("a", b"x" * 60), ("b", b"x" * 60)])
    assert message(path, Limits(total_bytes=100)) == (
        f"{path}: would unpack to 120 bytes, over the limit of 100. {SUSPECT}"
    )


def test_container_zip_bomb_is_refused_by_its_ratio(tmp_path: Path) -> None:
    """Deflate packs equal bytes at most about 1032 : 1 (zlib's technical notes)."""
    path = write_zip(tmp_path / "bomb.zip", [("run.gcode", b"\0" * (20 << 20))])
    with zipfile.ZipFile(path) as read:
        ratio = (20 << 20) / read.getinfo("run.gcode").compress_size
    assert 900 < ratio < 1032
    assert message(path) == (
        f"{path}: run.gcode: unpacks to {ratio:.0f} times its size, the mark of a zip bomb. "
        f"{SUSPECT}"
    )


def test_container_that_lies_about_its_size_is_damaged(tmp_path: Path) -> None:
    """A member that unpacks to more than it states is stopped at what it states."""
    path = write_zip(tmp_path / "a.zip", [("a", b"x" * 5000)])

    def lie(data: bytearray) -> None:
        struct.pack_into("<I", data, 22, 10)
        struct.pack_into("<I", data, central(data, 0) + 24, 10)

    assert "a: is damaged" in message(patched(path, lie))


@pytest.mark.parametrize(
    ("name", "found"),
    [
        ("../out.png", "has a name that leads out of the container"),
        ("a/../../out.png", "has a name that leads out of the container"),
        ("/etc/out.png", "has an absolute path for a name"),
        ("C:out.png", "has an absolute path for a name"),
        ("a\\out.png", "has a backslash in its name"),
        ("a\nb.png", "has control characters in its name"),
    ],
)
def test_container_name_that_is_a_trick_is_refused(tmp_path: Path, name: str, found: str) -> None:
    path = write_zip(tmp_path / "a.zip", [("run.gcode", b"x"), (name, b"x")])
    assert message(path) == f"{path}: {name!a}: {found}. {SUSPECT}"


def test_container_name_with_a_nul_is_refused(tmp_path: Path) -> None:
    path = write_zip(tmp_path / "a.zip", [("aXb.png", b"x")])
    patched(path, lambda data: data.__setitem__(slice(0, None), data.replace(b"aXb", b"a\0b")))
    assert message(path) == f"{path}: 'a\\x00b.png': has control characters in its name. {SUSPECT}"


def test_container_with_a_name_twice_is_refused(tmp_path: Path) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # the writer's own warning
        path = write_zip(tmp_path / "a.zip", [("1.png", b"x"), ("1.png", b"y")])
    assert message(path) == f"{path}: 1.png: is in the container 2 times. {SUSPECT}"


def test_container_locked_member_is_refused(job: Path) -> None:
    patched(job, lambda data: data.__setitem__(central(data, 1) + 8, 1))
    assert message(job) == (
        f"{job}: preview.png: is locked with a password. Slice it again without a password."
    )


def test_container_symbolic_link_is_refused(job: Path) -> None:
    mode = (stat.S_IFLNK | 0o777) << 16
    patched(job, lambda data: struct.pack_into("<I", data, central(data, 0) + 38, mode))
    assert message(job) == f"{job}: run.gcode: is a symbolic link. {SUSPECT}"


def test_container_unknown_method_is_refused(tmp_path: Path) -> None:
    path = write_zip(tmp_path / "a.zip", [("a", b"x")], method=zipfile.ZIP_LZMA)
    assert message(path) == (
        f"{path}: a: is packed by method 14; only stored (0) and deflated (8) are read. "
        "Slice the model again, to a plain zip."
    )


def test_container_members_that_share_bytes_are_refused(tmp_path: Path) -> None:
    path = write_zip(tmp_path / "a.zip", [("a", b"x" * 90), ("b", b"y" * 90)], method=0)
    patched(path, lambda data: struct.pack_into("<I", data, central(data, 1) + 42, 20))
    assert message(path) == f"{path}: b: shares its bytes with another member. {SUSPECT}"


def test_image_bomb_is_refused_before_decoding(tmp_path: Path) -> None:
    """60 000 x 60 000 in the IHDR, hardly a byte in the file."""
    bomb = bytearray(bar(3))
    struct.pack_into(">II", bomb, 16, 60_000, 60_000)
    struct.pack_into(">I", bomb, 29, zlib.crc32(bytes(bomb[12:29])))
    path = write_zip(tmp_path / "a.zip", [("1.png", bytes(bomb))])
    with Container(path) as container, pytest.raises(FileError) as caught:
        container.read_image("1.png")
    assert str(caught.value) == (
        f"{path}: 1.png: claims 60000 x 60000 pixels, over the limit of 150000000. {SUSPECT}"
    )
    with Container(path) as container, pytest.raises(FileError, match="the screen has 20 x 9"):
        container.read_image("1.png", (20, 9))


@pytest.mark.parametrize(
    ("data", "found"),
    [
        (b"GIF89a" + bytes(40), "is not a PNG image"),
        (bar(2)[:20], "is not a PNG image"),
        (png(np.zeros((1, 1))).replace(b"\0\0\0\1\0\0\0\1", bytes(8)), "claims 0 x 0 pixels"),
    ],
)
def test_image_that_is_none_is_refused(tmp_path: Path, data: bytes, found: str) -> None:
    path = write_zip(tmp_path / "a.zip", [("1.png", data)])
    with Container(path) as container, pytest.raises(FileError) as caught:
        container.read_image("1.png")
    assert str(caught.value) == f"{path}: 1.png: {found}. {AGAIN}"


def test_container_of_no_known_kind_says_what_is_missing(tmp_path: Path) -> None:
    path = write_zip(tmp_path / "a.zip", [("notes.txt", b"exposure = long\n"), ("1.png", bar(1))])
    with pytest.raises(FileError) as caught:
        read_job(path, ResinTable())
    words = str(caught.value)
    assert words.startswith(f"{path}: is a zip without a resin job in it that is known. Two ways ")
    assert "--layers 1200" in words


@pytest.mark.property
@pytest.mark.parametrize("seed", range(40))
def test_container_mutated_lets_only_our_errors_out(job: Path, seed: int) -> None:
    """Rule: whatever bytes come, a person sees one clear error or the job is read."""
    random = np.random.default_rng(seed)
    data = bytearray(job.read_bytes())
    for _ in range(30):
        bad = bytearray(data)
        for at in random.integers(0, len(bad), random.integers(1, 8)):
            bad[at] = random.integers(0, 256)
        job.write_bytes(bytes(bad[: random.integers(1, len(bad) + 1)] if seed % 2 else bad))
        try:
            found = read_job(job, ResinTable())
        except CaptureHookError as fault:
            assert str(fault).startswith(str(job)), fault
        else:
            assert len(found.timeline) > 0
