"""Broken containers and pictures: bombs, tricks with names and paths, flipped bytes, cut files.

Each case makes its files in a folder of its own and returns (complaints, what to keep).
"""

from __future__ import annotations

import hashlib
import random
import shutil
import struct
import warnings
import zipfile
import zlib
from collections import Counter
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from capturehook.hosts.edit import edit_file
from capturehook.hosts.summary import Posing
from capturehook.jobfile.fence import strip_bytes
from capturehook.model.profile import Profile
from capturehook.profile import build_profile, load_profile
from capturehook.resin.area import LayerImages, light_area
from capturehook.resin.job import read_job
from capturehook.resin.pose import insert_poses, strip_poses
from tests.fuzz.fuzz_checks import Counts, guarded
from tests.small_jobs import plain_jobs
from tests.strategies import profile_table

Random = random.Random
Members = list[tuple[str, bytes]]
Case = tuple[list[str], dict[str, bytes]]

NAMES = (
    *("../up.gcode", "/abs.gcode", "a\\b.gcode", "C:/x.gcode", "a//b", "./x", "run.gcode", "1.png"),
    *("RUN.GCODE", "x\x01.gcode", "", "é.gcode", "a/../run.gcode", "con", "0001.png", "job.gcode"),
    *("config.ini", "job.gcode.md5", "folder/", "x" * 300, "9" * 400 + ".png", "٣.png", "²3.png"),
)


# ---- zips ------------------------------------------------------------------------------------


def png_claiming(rng: Random, width: int, height: int, bits: int = 8, kind: int = 0) -> bytes:
    """A PNG whose head states any size, with little or much behind it."""

    def chunk(name: bytes, data: bytes) -> bytes:
        crc = zlib.crc32(name + data) if rng.random() < 0.9 else 5
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", crc)

    body = zlib.compress(bytes(rng.choice((0, 100, 100_000))))
    extra = (
        chunk(b"zTXt", b"a\0\0" + zlib.compress(bytes(3_000_000))) if rng.random() < 0.2 else b""
    )
    head = struct.pack(">IIBBBBB", width, height, bits, kind, 0, 0, rng.choice((0, 0, 1)))
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + extra
        + chunk(b"IDAT", body)
        + (chunk(b"IEND", b"") if rng.random() < 0.8 else b"")
    )


def any_png(rng: Random) -> bytes:
    sides = (0, 1, 20, 4000, 12_000, 2**31, 2**32 - 1)
    if rng.random() < 0.5:
        return png_claiming(
            rng,
            rng.choice(sides),
            rng.choice(sides),
            rng.choice((1, 2, 4, 8, 16, 7)),
            rng.choice((0, 2, 3, 4, 6, 5)),
        )
    return png_claiming(rng, 20, 10)


def write_members(path: Path, members: Members, rng: Random) -> None:
    """A zip; some members stored, some deflated, some with sizes only after the data."""
    with warnings.catch_warnings(), path.open("wb") as raw, zipfile.ZipFile(raw, "w") as out:
        warnings.simplefilter("ignore")  # the same name twice: that is the point
        out.comment = rng.choice((b"", b"made by hand", b"PK\x05\x06" + bytes(18)))
        for name, data in members:
            info = zipfile.ZipInfo("x", (2024, 5, 17, 10, 30, 8))
            info.filename = name
            info.compress_type = rng.choice((zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED))
            if rng.random() < 0.1:
                info.external_attr = rng.choice((0o120777, 0o040755, 0o644)) << 16
            if rng.random() < 0.2:
                with out.open(info, "w", force_zip64=rng.random() < 0.3) as member:
                    member.write(data)
            else:
                out.writestr(info, data)


def break_zip(rng: Random, data: bytes) -> bytes:
    """Damage to the container itself: heads, table of contents, end, or anywhere."""
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 4))):
        kind = rng.randrange(6)
        if not out:
            break
        if kind == 0:  # in the table of contents or the end record
            at = max(0, out.rfind(b"PK\x01\x02"))
            at = rng.randrange(at, len(out))
            out[at] = rng.choice((0, 1, 255, rng.randrange(256)))
        elif kind == 1:  # a field of a central or local head
            places = [k for k in range(len(out) - 46) if out[k : k + 4] in _HEADS]
            if places:
                at = rng.choice(places) + rng.randrange(4, 46)
                struct.pack_into("<H", out, at, rng.choice((0, 1, 8, 9, 12, 0xFFFF, 0x41, 70)))
        elif kind == 2:
            out[rng.randrange(len(out))] ^= 1 << rng.randrange(8)
        elif kind == 3:
            del out[rng.randrange(len(out)) :]
        elif kind == 4:
            at = rng.randrange(len(out))
            out[at:at] = rng.randbytes(rng.choice((1, 20)))
        else:
            at = rng.randrange(len(out))
            del out[at : at + rng.choice((1, 10, 100))]
    return bytes(out)


_HEADS = (b"PK\x01\x02", b"PK\x03\x04", b"PK\x05\x06")


def odd_members(rng: Random, members: Members) -> Members:
    """Members renamed, doubled, left out, blown up or filled with other bytes."""
    out = list(members)
    for _ in range(rng.choice((0, 1, 1, 2))):
        kind, at = rng.randrange(6), rng.randrange(len(out)) if out else 0
        if kind == 0 and out:
            out[at] = (rng.choice(NAMES), out[at][1])
        elif kind == 1 and out:
            out.insert(at, out[rng.randrange(len(out))])
        elif kind == 2 and out:
            del out[at]
        elif kind == 3:
            out.insert(at, (rng.choice(NAMES), bytes(rng.choice((0, 1000, 20_000_000)))))
        elif kind == 4 and out:
            name, data = out[at]
            flipped = bytearray(data)
            for _ in range(rng.choice((1, 5))):
                if flipped:
                    flipped[rng.randrange(len(flipped))] = rng.randrange(256)
            out[at] = (name, bytes(flipped))
        elif out:
            out[at] = (out[at][0], any_png(rng))
    return out


def whole_members(path: Path, but: set[str]) -> dict[str, tuple[bytes, Any]]:
    """Name -> (local head and packed bytes, date) of each member, by APPNOTE 4.3.7."""
    data = path.read_bytes()
    with zipfile.ZipFile(path) as read:
        infos = [info for info in read.infolist() if info.filename not in but]
        table_at = read.start_dir
    found = {}
    for info in infos:
        at = info.header_offset
        name, extra = struct.unpack_from("<2H", data, at + 26)
        end = min(at + 30 + name + extra + info.compress_size, table_at)
        found[info.filename] = (data[at:end], info.date_time)
    return found


def zip_case(rng: Random, counts: Counts, folder: Path) -> Case:
    """A job in a zip through the adapter, in place: whole or done, all else equal."""
    job = rng.choice([one.data for one in plain_jobs().values()])
    members: Members = [
        ("info.json", b"{}"),
        ("plates/job.gcode", job),
        ("plates/job.gcode.md5", hashlib.md5(job).hexdigest().encode()),
        ("picture.png", any_png(rng)),
    ]
    path = _container(rng, folder, odd_members(rng, members))
    before = path.read_bytes()
    change = Posing(_profile())
    made, wrong = guarded(counts, "edit_file", lambda: edit_file(path, change))
    if made is None:
        wrong += ["a refused container is not as it was"] if path.read_bytes() != before else []
    else:
        wrong += _compare(folder, before, path, {"plates/job.gcode", "plates/job.gcode.md5"})
    wrong += _scraps(folder)
    return wrong, {"job.zip": before}


def _compare(folder: Path, before: bytes, path: Path, new: set[str]) -> list[str]:
    old = folder / "old.zip"
    old.write_bytes(before)
    if whole_members(old, new) != whole_members(path, new):
        return ["members that are not jobs have changed"]
    with zipfile.ZipFile(old) as was, zipfile.ZipFile(path) as now:
        if was.namelist() != now.namelist():
            return ["members are not in their order"]
        for name in new:
            if name.endswith((".gcode", ".g")) and strip_bytes(now.read(name)) != strip_bytes(
                was.read(name)
            ):
                return [f"{name}: strip does not give it back"]
    return []


def resin_case(rng: Random, counts: Counts, folder: Path) -> Case:
    """A resin container read, looked at, posed and stripped."""
    from tests.resin import resin_jobs

    text = resin_jobs.command_text(
        rng.randint(1, 6), relative=rng.random() < 0.5, marks=rng.random() < 0.7
    )
    if rng.random() < 0.4:
        text = b"config.ini" and resin_jobs.settings_text(
            **{rng.choice(("expTime", "numFade", "layerHeight")): rng.choice((1, 1e308, "x", -1))}
        )
    named = "config.ini" if b"expTime" in text else "run.gcode"
    images = [(f"{number}.png", resin_jobs.bar(number)) for number in range(1, 5)]
    if rng.random() < 0.5:
        text = _break_text(rng, text)
    path = _container(rng, folder, odd_members(rng, [(named, text), *images]))
    before = path.read_bytes()
    profile = load_profile("tern")
    table = profile.resin
    assert table is not None
    job, wrong = guarded(counts, "resin read", lambda: read_job(path, table))
    if job is not None:

        def measure() -> object:
            with LayerImages(path, job.images, job.stored) as pictures:
                return light_area(pictures)

        wrong += guarded(counts, "resin area", measure)[1]
    out = folder / "posed.zip"
    posed, more = guarded(counts, "resin pose", lambda: insert_poses(path, out, profile, table))
    wrong += more
    if posed is not None:
        strip_poses(out, folder / "plain.zip")
        with zipfile.ZipFile(path) as was, zipfile.ZipFile(folder / "plain.zip") as now:
            name = posed[0].text_name
            if strip_bytes(was.read(name)) != now.read(name):
                wrong.append("strip does not give run.gcode back")
    if path.read_bytes() != before:
        wrong.append("the container was only to be read")
    return wrong + _scraps(folder), {"job.zip": before}


def _break_text(rng: Random, text: bytes) -> bytes:
    lines = text.splitlines(keepends=True)
    for _ in range(rng.choice((1, 2, 6))):
        at = rng.randrange(len(lines) + 1)
        if rng.random() < 0.5 and at < len(lines):
            lines[at] = lines[at].replace(rng.choice((b"5", b"0", b"Z", b"=")), rng.choice(_TEXTS))
        else:
            lines.insert(at, rng.choice(_LINES))
    return b"".join(lines)


_TEXTS = (b"9" * 30, b"-", b"nan", b"1e400", b"", b"\xff", b"..", b"999999")
_LINES = (
    *(b"G4 P99999999999\n", b"G0 Z-50 F60\n", b"G0 Z1e9\n", b"G28 Z0\n", b"M106 S255\n", b"G91\n"),
    *(b'M6054 "\x00.png"\n', b'M6054 "../x.png"\n', b"; capturehook pose 1 begin\n", b"M106\n"),
    *(
        b";LAYER_START:99999999999999999999\n",
        b";LAYER_END\n",
        b"G0 Z F\n",
        b"G1 Z5 F0\n",
        b"G20\n",
    ),
)


def _container(rng: Random, folder: Path, members: Members) -> Path:
    path = folder / "job.zip"
    while True:
        try:
            write_members(path, members, rng)
            break
        except (ValueError, UnicodeError, RuntimeError, struct.error):
            members = members[:-1]  # a name that not even the writer takes
    if rng.random() < 0.6:
        path.write_bytes(break_zip(rng, path.read_bytes()))
    return path


def _scraps(folder: Path) -> list[str]:
    return [f"{path.name} is left" for path in folder.rglob("*.part")]


@lru_cache(maxsize=1)
def _profile() -> Profile:
    return build_profile(profile_table("marlin"), "heron.toml")


# ---- pictures --------------------------------------------------------------------------------


@lru_cache(maxsize=1)
def _shoot(folder: str) -> tuple[Any, list[tuple[str, bytes]]]:
    """A drawn shoot of six poses: its plan, and its pictures as bytes."""
    from tests.frames.shoot import make_shoot

    shoot = make_shoot(6)
    place = Path(folder) / "sound shoot"
    paths = [*shoot.write(place / "jpg"), *shoot.write(place / "tiff", "tiff")]
    found = [(path.name, path.read_bytes()) for path in paths]
    shutil.rmtree(place)
    return shoot.plan, found


def break_picture(rng: Random, name: str, data: bytes) -> bytes:
    """Bytes flipped in the Exif part or anywhere, cut short, emptied, or another format's."""
    kind = rng.randrange(7)
    out = bytearray(data)
    exif = (max(data.find(b"Exif"), 2), 180) if name.endswith("jpg") else (0, len(data))
    if kind <= 2:
        for _ in range(rng.choice((1, 3, 20))):
            at = rng.randrange(exif[0], min(sum(exif), len(out)))
            out[at] = rng.choice((0, 255, rng.randrange(256)))
    elif kind == 3:
        for _ in range(rng.choice((1, 10))):
            out[rng.randrange(len(out))] = rng.randrange(256)
    elif kind == 4:
        del out[rng.randrange(len(out)) :]
    elif kind == 5:
        return rng.choice((b"", b"\xff\xd8", b"GIF89a", b"text\n" * 9, any_png(rng), _digits(data)))
    else:
        at = rng.randrange(len(out))
        out[at : at + rng.choice((4, 400))] = rng.randbytes(4)
    return bytes(out)


def _digits(data: bytes) -> bytes:
    """An Exif sub-second field of thousands of digits."""
    import io

    from PIL import Image

    exif = Image.Exif()
    exif[0x0131] = "drawn"
    exif[0x8769] = {0x9003: "2024:05:01 10:00:00", 0x9291: "1" * 6000}
    out = io.BytesIO()
    Image.fromarray(np.zeros((120, 160, 3), np.uint8)).save(out, "jpeg", exif=exif)
    return out.getvalue()


def frames_case(rng: Random, counts: Counts, folder: Path) -> Case:
    """A shoot with some pictures damaged: audited, and made a film now and then."""
    from capturehook.audit.judge import audit_frames
    from capturehook.audit.report import audit_json
    from capturehook.frames.listing import load_frames

    plan, pictures = _shoot(str(folder))
    wanted = rng.choice(("jpg", "jpg", "tiff"))
    card = folder / "card"
    card.mkdir()
    kept: dict[str, bytes] = {}
    for name, data in pictures:
        if not name.endswith(wanted):
            continue
        broken = break_picture(rng, name, data) if rng.random() < 0.5 else data
        if broken is not data:
            kept[name] = broken
        (card / name).write_bytes(broken)
    before = {path.name: path.read_bytes() for path in card.iterdir()}
    listed, wrong = guarded(counts, "load_frames", lambda: load_frames([card]))
    if listed is not None:
        audit, more = guarded(counts, "audit", lambda: audit_frames(listed, plan))
        wrong += more
        if audit is not None:
            wrong += guarded(counts, "audit json", lambda: audit_json(audit))[1]
            if rng.random() < 0.3:
                wrong += _film(counts, audit, folder)
    if {path.name: path.read_bytes() for path in card.iterdir()} != before:
        wrong.append("pictures were only to be read")
    return wrong + _scraps(folder), kept


def _film(counts: Counts, audit: Any, folder: Path) -> list[str]:
    from capturehook.film.assemble import assemble_film
    from capturehook.film.wishes import FilmWishes

    out = folder / "film.mp4"
    made, wrong = guarded(counts, "film", lambda: assemble_film(audit, out, FilmWishes()))
    if made is None and out.exists():
        wrong.append("a film was left though it was refused")
    return wrong


CASES: dict[str, Callable[[Random, Counts, Path], Case]] = {
    "zip": zip_case,
    "resin": resin_case,
    "frames": frames_case,
}


def run_files_case(kind: str, rng: Random, counts: Counter[str], scratch: Path) -> Case:
    """One case in a new folder under ``scratch``, removed afterwards."""
    folder = scratch / "case"
    folder.mkdir()
    try:
        return CASES[kind](rng, counts, folder)
    finally:
        shutil.rmtree(folder)
