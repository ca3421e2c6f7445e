"""A watched folder, for hosts without a hook: a job that has come to rest gets its poses.

The job itself is never touched: the result goes beside it (`part.posed.gcode`), or into a
folder of its own. What is done is written down there, so that a new start does nothing twice.
"""

from __future__ import annotations

import hashlib
import json
import os
import stat
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import click

from capturehook.errors import CaptureHookError, FileError, of_the_system, printable
from capturehook.files import read_bytes, write_atomically
from capturehook.hosts.door import Change, pose_file, strip_file
from capturehook.hosts.plans import JOB_ENDINGS
from capturehook.hosts.run import PATH, given_words, guarded, profile_named, tell, words_of
from capturehook.hosts.summary import Posing, keep_told, tell_summary

POSED = ".posed"
LEDGER = ".capturehook-done.jsonl"

Look = tuple[int, int, int]
"""Size, time of change, and number of a file on disk: another look, another content."""


class Ledger:
    """What is done: for each name the checksums of the job done last, and of its result.

    Lines of JSON, only ever added to; a line cut by a crash is passed over. A link in its
    place is refused: it could lead anywhere.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.done: dict[str, str] = {}
        self.results: dict[str, str] = {}
        if path.is_symlink():
            raise FileError(str(path), "is a link", "Delete it, or name another folder with --out")
        with suppress(FileNotFoundError):
            for line in path.read_bytes().splitlines():
                with suppress(ValueError, KeyError, TypeError, AttributeError):
                    entry = json.loads(line)
                    name = str(entry["name"])
                    self.done[name] = str(entry["sha256"])
                    self.results[name] = str(entry.get("result", ""))

    def add(self, name: str, sha256: str, result: str) -> None:
        """Write one down, and wait until the disk has it."""
        self.done[name], self.results[name] = sha256, result
        line = json.dumps({"name": name, "sha256": sha256, "result": result})
        flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0)
        flags |= getattr(os, "O_BINARY", 0)  # Windows: line ends stay as they are
        with os.fdopen(os.open(self.path, flags, 0o666), "ab") as file:
            file.write(f"\n{line}\n".encode())
            file.flush()
            os.fsync(file.fileno())


@dataclass
class Watch:
    """A folder and what is known of the files in it.

    Attributes
    ----------
    folder, out : where jobs come in; where results go (None: beside the job)
    change : what becomes of a job's bytes
    still_s : how long a file must not change before it is taken
    """

    folder: Path
    out: Path | None
    change: Change
    still_s: float = 3.0
    seen: dict[str, tuple[Look, float]] = field(default_factory=dict)
    """name -> how it looked, and since when (on the caller's clock, in s)."""
    settled: dict[str, Look] = field(default_factory=dict)
    """name -> how it looked when it was done, or refused."""
    plan_to: Path | None = None
    passed: set[str] = field(default_factory=set)
    """Names that were told as passed over."""

    def __post_init__(self) -> None:
        if not self.folder.is_dir():
            raise FileError(str(self.folder), "is no folder", "Make it, or name another")
        self.results = self.out or self.folder
        try:
            self.results.mkdir(parents=True, exist_ok=True)
            self.ledger = Ledger(self.results / LEDGER)
        except OSError as fault:
            advice = "Check its rights, or name another with --out"
            raise of_the_system(fault, "used", self.results, advice) from fault

    def target(self, job: Path) -> Path:
        """Where a job's result goes."""
        if self.results.resolve() == self.folder.resolve():
            at = len(job.name) - len(_suffix(job.name) or "")
            return job.with_name(f"{job.name[:at]}{POSED}{job.name[at:]}")
        return self.results / job.name

    def ripe(self, now_s: float) -> list[Path]:
        """Jobs that have not changed for ``still_s``; the longest at rest first."""
        looks = dict(self._looks())
        self.seen = {
            name: self.seen[name]
            if name in self.seen and self.seen[name][0] == look
            else (look, now_s)
            for name, look in looks.items()
        }
        rested = [
            (since, name)
            for name, (look, since) in self.seen.items()
            if self.settled.get(name) != look and look[0] > 0 and now_s - since >= self.still_s
        ]
        return [self.folder / name for _, name in sorted(rested)]

    def waiting(self) -> bool:
        """Whether a file is still to be taken."""
        return any(
            self.settled.get(name) != look and look[0] > 0 for name, (look, _) in self.seen.items()
        )

    def _looks(self) -> Iterator[tuple[str, Look]]:
        with os.scandir(self.folder) as entries:
            for entry in entries:
                reason = _passed_over(entry)
                look = _look(Path(entry.path)) if reason is None else None
                if look is not None:
                    yield entry.name, look
                if reason and entry.name not in self.passed:
                    self.passed.add(entry.name)
                    tell(f"{entry.path}: skipped, {reason}.")

    def take(self, job: Path) -> Path | None:
        """Make a job's result.

        Returns
        -------
        Where it is; None when it was there already, or the job changed meanwhile.

        Raises
        ------
        CaptureHookError
            The job is refused, or the result cannot be written; the job is not tried again
            before it changes.
        """
        look = _look(job)
        if look is None:
            return None
        try:
            data = read_bytes(job)
        except FileError:
            if not job.exists():
                return None
            self.settled[job.name] = look
            raise
        if _look(job) != look or len(data) != look[0]:
            return None
        self.settled[job.name] = look
        sha256, target = hashlib.sha256(data).hexdigest(), self.target(job)
        if self.ledger.done.get(job.name) == sha256:
            return None
        made = self._make(job, data, target)
        result = hashlib.sha256(made or read_bytes(target)).hexdigest()
        try:
            self.ledger.add(job.name, sha256, result)
        except OSError as fault:
            advice = "Free some space; else this job is done once more after a new start"
            raise of_the_system(fault, "written", self.ledger.path, advice) from fault
        return target if made else None

    def _make(self, job: Path, data: bytes, target: Path) -> bytes | None:
        """Write the result, unless it stands there already; never over a file of another's."""
        if target.is_symlink():
            raise FileError(str(target), "is a link, not a result of ours", "Delete the link")
        there = read_bytes(target) if target.exists() else None
        if there is not None and not self._is_ours(job, there):
            if _came_of(there, data, target, job):
                return None
            raise FileError(str(target), "is not a result of ours", "Move it, or rename the job")
        written = pose_file(data, str(job), self.change)
        for text in (*written.notes, *write_atomically(target, written.data)):
            tell(f"{target}: {text}")
        return written.data

    def _is_ours(self, job: Path, there: bytes) -> bool:
        """It is what was written here, byte for byte."""
        return self.ledger.results.get(job.name) == hashlib.sha256(there).hexdigest()


def _came_of(there: bytes, data: bytes, target: Path, job: Path) -> bool:
    """It is this job with poses, written before a crash kept it out of the ledger."""
    with suppress(CaptureHookError):
        plain, poses = strip_file(there, str(target))
        return poses > 0 and plain.data == strip_file(data, str(job))[0].data
    return False


def _suffix(name: str) -> str | None:
    """Of names that are looked at; what the file is, its content tells."""
    return next((one for one in JOB_ENDINGS if name.lower().endswith(one)), None)


def _passed_over(entry: os.DirEntry[str]) -> str | None:
    """Why a file is no job for us; "" where that is not worth a line; None for a job."""
    suffix, hidden = _suffix(entry.name), entry.name[0] in ".~"
    if hidden or not entry.is_file(follow_symlinks=False):
        return "it is a link" if entry.is_symlink() and suffix and not hidden else ""
    if suffix is None:
        return "its name is none of a job's"
    return "" if entry.name[: -len(suffix)].endswith(POSED) else None


def _look(path: Path) -> Look | None:
    """None for what is gone or no plain file."""
    try:
        found = path.stat()
    except OSError:
        return None
    plain = stat.S_ISREG(found.st_mode)
    return (found.st_size, found.st_mtime_ns, found.st_ino) if plain else None


def run_watch(watch: Watch, *, every_s: float = 1.0, once: bool = False) -> int:
    """Look every ``every_s`` seconds until stopped; ``once``: until all that is there is done.

    Returns
    -------
    0, or the exit code of the last job that was refused
    """
    code, away = 0, False
    while True:
        try:
            jobs = watch.ripe(time.monotonic())
            away = False
        except OSError as fault:
            if once:
                raise of_the_system(fault, "read", watch.folder) from fault
            if not away:
                tell(f"{watch.folder}: is away ({fault.strerror}); waiting for it.")
            away, jobs = True, []
        for job in jobs:
            code = _take(watch, job) or code
        if once and not watch.waiting():
            return code
        time.sleep(every_s)


def _take(watch: Watch, job: Path) -> int:
    """One job; a fault is told and does not stop the watch."""

    def work() -> int:
        target = watch.take(job)
        if target is not None:
            if sys.stdout is not None:
                with suppress(OSError, ValueError):
                    print(printable(f"{job.name} -> {target}"), flush=True)
            if isinstance(watch.change, Posing):
                done = watch.change.take()
                tell_summary(job.name, done, keep_told(job.name, done, target, watch.plan_to))
        return 0

    return guarded(work)


def main(argv: list[str] | None = None) -> int:
    """`-p PROFILE [--out FOLDER] FOLDER`; runs until stopped."""
    return guarded(lambda: _run(argv))


def _run(argv: list[str] | None) -> int:
    words = words_of(
        "watch",
        "Give every job that comes to rest in FOLDER its pose blocks.",
        click.Option(["--out"], type=PATH, metavar="FOLDER", help="Results go there, not beside."),
        click.Option(["--still-s"], type=float, default=3.0, help="Rest before a job is taken."),
        click.Option(["--every-s"], type=float, default=1.0, help="Time from look to look."),
        click.Option(["--once"], is_flag=True, help="End when all that is there is done."),
        click.Argument(["folder"], type=PATH, metavar="FOLDER"),
    )
    given = given_words(words, argv)
    if not 0 <= given.still_s <= 3600 or not 0.05 <= given.every_s <= 3600:
        raise CaptureHookError("watch", "times are out of range", "Give 0.05 to 3600 seconds")
    profile = profile_named(given.profile)
    change = Posing(profile, skip_unsafe=given.skip_unsafe, needs_end=True)
    watch = Watch(given.folder, given.out, change, given.still_s)
    watch.plan_to = given.plan_to
    return run_watch(watch, every_s=given.every_s, once=given.once)


if __name__ == "__main__":
    sys.exit(main())
