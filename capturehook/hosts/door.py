"""A job file of any kind in, and a file of the same kind out, with or without pose blocks.

What differs between a job with blocks and without is told by its fences, so whatever changes
the text of a job serves for every kind of file.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cached_property
from pathlib import Path

from capturehook.errors import Finding, ProofError
from capturehook.jobfile.fence import MARK, Fenced, find_fences, foreign_findings, strip_bytes
from capturehook.jobfile.open import choose_jobs, only_job, open_job
from capturehook.jobfile.record import Edit, JobFile, JobText, Written, apply_edits

Change = Callable[[bytes, str], bytes]
"""(a job's text, how messages name it) -> the text with its pose blocks."""
TEXT_SUFFIXES = (".gcode", ".gco", ".g")


class Door:
    """A job file and those of its jobs that are meant.

    Parameters
    ----------
    data, name : the file's bytes, and how messages name it
    plate : the one plate that is meant; None: all
    keep_foreign : lines that others put into a block are no fault: `stripped` keeps them

    Raises
    ------
    FileError
        The file is damaged, or has no such plate.
    """

    def __init__(
        self, data: bytes, name: str, plate: int | None = None, *, keep_foreign: bool = False
    ) -> None:
        self.name, self.keep_foreign = name, keep_foreign
        self.file = open_job(data, name)
        self.chosen = choose_jobs(self.file, name, plate)

    @cached_property
    def _fences(self) -> dict[int, list[Fenced]]:
        """Of each job that is meant, the blocks of an earlier run."""
        jobs = ((at, self.file.jobs[at]) for at in self.chosen)
        return {
            at: find_fences(job.text, job.name, keep_foreign=self.keep_foreign)
            if MARK in job.text
            else []
            for at, job in jobs
        }

    @cached_property
    def _before(self) -> tuple[JobFile, tuple[str, ...]]:
        """The file without blocks of an earlier run, and what is told about it."""
        if not any(self._fences.values()):
            return self.file, ()
        old = self._stripped()
        return open_job(old.data, self.name), old.notes

    def _stripped(self) -> Written:
        return self.file.stripped({at: _taking_out(found) for at, found in self._fences.items()})

    @property
    def jobs(self) -> list[JobText]:
        """The jobs that are meant, as they are."""
        return [self.file.jobs[at] for at in self.chosen]

    def posed(self, texts: Sequence[bytes], added_s: float | None = None) -> Written:
        """The file with other texts, which differ from the jobs' own by pose blocks only.

        Parameters
        ----------
        texts : one for each of ``jobs``
        added_s : what printing times outside the text should grow by; None: they stay

        Raises
        ------
        CaptureHookError
            This kind of file cannot hold the blocks.
        ProofError
            A text differs by more than blocks (our fault).
        """
        if self.file.kind == "plain":
            return Written(texts[0], self.file.notes)
        before, notes = self._before
        edits = {}
        for at, new in zip(self.chosen, texts, strict=True):
            job = before.jobs[at]
            edits[at] = _putting_in(find_fences(new, job.name), new)
            if strip_bytes(new, job.name) != job.text:
                raise ProofError(job.name, "more than whole blocks changed", "Please report this")
        written = before.posed(edits, added_s)
        return Written(written.data, (*self.file.notes, *notes, *written.notes))

    def stripped(self) -> tuple[Written, int]:
        """The file as it was before pose blocks went in, and how many poses went out."""
        poses = sum(one.name.startswith("pose") for found in self._fences.values() for one in found)
        if self.file.kind == "plain" and not poses and not any(self._fences.values()):
            return Written(self.file.jobs[0].text), 0
        return self._stripped(), poses

    @property
    def foreign(self) -> list[Finding]:
        """The lines that others put into blocks."""
        jobs = self.file.jobs
        return [
            one
            for at, fences in self._fences.items()
            for one in foreign_findings(jobs[at].text, jobs[at].name, fences)
        ]

    def unpacks(self, target: str) -> bool:
        """Whether a target is meant to hold the plain text of a packed job.

        Raises
        ------
        FileError
            Several plates are meant.
        """
        if self.file.kind == "plain" or Path(target).suffix.lower() not in TEXT_SUFFIXES:
            return False
        if len(self.chosen) > 1:
            only_job(self.file, self.name, None)
        return True

    def plain_text(self) -> bytes:
        """The text of the one job that is meant, without blocks."""
        at = self.chosen[0]
        return apply_edits(self.file.jobs[at].text, _taking_out(self._fences[at]))


def pose_file(data: bytes, name: str, change: Change, *, plate: int | None = None) -> Written:
    """A job file with pose blocks; blocks of an earlier run are replaced.

    Raises
    ------
    CaptureHookError
        The file cannot be read, or ``change`` refuses a job.
    """
    door = Door(data, name, plate)
    return door.posed([change(job.text, job.name) for job in door.jobs])


def strip_file(data: bytes, name: str, *, plate: int | None = None) -> tuple[Written, int]:
    """A job file as it was before pose blocks went in, and how many poses went out.

    Raises
    ------
    CaptureHookError
        The file cannot be read, or its fences are damaged.
    """
    return Door(data, name, plate).stripped()


def _putting_in(fences: list[Fenced], text: bytes) -> list[Edit]:
    """Edits of the text without blocks that give the text with them."""
    edits, ours = [], 0
    for fence in fences:
        start = fence.start - ours
        ours += fence.stop - fence.start - len(fence.kept)
        edits.append(Edit(start, start + len(fence.kept), text[fence.start : fence.stop]))
    return _merged(edits)


def _taking_out(fences: list[Fenced]) -> list[Edit]:
    return _merged([Edit(fence.start, fence.stop, fence.kept) for fence in fences])


def _merged(edits: list[Edit]) -> list[Edit]:
    """Neighbours as one: packed lines between two blocks need no change of mode."""
    merged: list[Edit] = []
    for edit in edits:
        if merged and merged[-1].stop == edit.start:
            last = merged.pop()
            edit = Edit(last.start, edit.stop, last.new + edit.new)
        merged.append(edit)
    return merged
