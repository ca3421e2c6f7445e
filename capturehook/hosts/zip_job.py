"""A job inside a zip container: the job changes, every other member is copied as it is."""

from __future__ import annotations

import hashlib
import re
import sys
from collections.abc import Iterator
from pathlib import Path

from capturehook.catalog.containers.zip_file import MIB, Container, Limits, numbered_images
from capturehook.errors import FileError, Where
from capturehook.files import read_bytes, replacing, write_atomically
from capturehook.hosts.edit import Change, pose_change
from capturehook.hosts.run import guarded, words_of
from capturehook.resin.rebuild import replace_member

SUFFIXES = (".gcode", ".gco", ".g")
SUMS = ("md5", "sha1", "sha256", "sha512")
LIMITS = Limits(member_bytes=1024 * MIB)


def edit_zip(path: Path, change: Change, out: Path | None = None) -> list[str]:
    """Change every job inside a container, and the checksums that stand beside it.

    Parameters
    ----------
    change : what becomes of a job
    out : where to; unless given, in place

    Returns
    -------
    Names of the members that are new; when there are none, nothing is written in place.

    Raises
    ------
    FileError
        No zip, no job in it, a checksum that is wrong already, or the disk fails. The
        container is then as it was.
    """
    with Container(path, LIMITS) as container:
        new = dict(_new_members(container, change))
    if new:
        _rebuild(path, new, out or path)
    elif out is not None and out.resolve() != path.resolve():
        write_atomically(out, read_bytes(path))
    return list(new)


def _rebuild(path: Path, new: dict[str, bytes], target: Path) -> None:
    """One member after the other into a scrap file, which then takes its place."""
    with replacing(target) as scrap:
        source = path
        for name, data in new.items():
            try:
                replace_member(source, name, data, scrap)
            except FileError as fault:
                if fault.where.path != str(scrap):
                    raise
                raise FileError(str(target), fault.found, fault.advice) from fault
            source = scrap


def _new_members(container: Container, change: Change) -> Iterator[tuple[str, bytes]]:
    for name in _jobs(container):
        old = container.read(name)
        new = change(old, f"{container.path}: {name}")
        if new == old:
            continue
        yield name, new
        for kind in SUMS:
            beside = f"{name}.{kind}"
            if beside in container.names:
                yield beside, _new_sum(container, beside, kind, old, new)


def _jobs(container: Container) -> list[str]:
    jobs = [name for name in container.names if name.lower().endswith(SUFFIXES)]
    path = str(container.path)
    if not jobs:
        raise FileError(path, "holds no job (a name that ends in .gcode)", "Slice it first")
    if numbered_images(container.names)[0]:
        raise FileError(path, "is a resin job", "Use `capturehook resin JOB --pose`")
    return jobs


def _new_sum(container: Container, beside: str, kind: str, old: bytes, new: bytes) -> bytes:
    """The text of a checksum with the new sum in the place of the old, in its own case."""
    text = container.read(beside)
    was = hashlib.new(kind, old).hexdigest()
    found = re.search(was.encode(), text, re.IGNORECASE)
    if found is None:
        where = Where(str(container.path), key=beside)
        job = beside.removesuffix(f".{kind}")
        raise FileError(where, f"is not the checksum of {job}", "Export the job again")
    now = hashlib.new(kind, new).hexdigest().encode()
    now = now.upper() if found[0] == found[0].upper() else now
    return text[: found.start()] + now + text[found.end() :]


def main(argv: list[str] | None = None) -> int:
    """`-p PROFILE [--strip] [-o OUT] JOB`; quiet when all went well."""
    return guarded(lambda: _run(sys.argv[1:] if argv is None else argv))


def _run(argv: list[str]) -> int:
    from capturehook.block.fence import strip_bytes
    from capturehook.profile import load_profile

    words = words_of("zip_job", "Put pose blocks into the job inside the zip at JOB.")
    words.add_argument("--strip", action="store_true", help="take them out again")
    words.add_argument("-o", "--out", type=Path, help="write there, not in place")
    words.add_argument("job", metavar="JOB", help="the container, as the last word")
    given = words.parse_args(argv)
    profile = load_profile(given.profile)
    change = strip_bytes if given.strip else pose_change(profile, skip_unsafe=given.skip_unsafe)
    edit_zip(Path(given.job), change, given.out)
    return 0


if __name__ == "__main__":
    sys.exit(main())
