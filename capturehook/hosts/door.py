"""A job file of any kind in, and a file of the same kind out, with or without pose blocks.

What differs between a job with blocks and without is told by its fences, so whatever changes
the text of a job serves for every kind of file.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

from capturehook.block.fence import Fenced, find_fences, strip_bytes
from capturehook.errors import ProofError
from capturehook.jobfile.open import choose_jobs, open_job
from capturehook.jobfile.record import Edit, JobFile, Written

Change = Callable[[bytes, str], bytes]
"""(a job's text, how messages name it) -> the text with its pose blocks."""


def pose_file(
    data: bytes,
    name: str,
    change: Change,
    *,
    plate: int | None = None,
    added_s: Callable[[], float] | None = None,
) -> Written:
    """A job file with pose blocks; blocks of an earlier run are replaced.

    Parameters
    ----------
    change : called once for each job that is meant
    plate : the one plate to change; None: all
    added_s : asked after all changes for the seconds that printing times outside the text
        should grow by; None: they stay

    Raises
    ------
    CaptureHookError
        The file cannot be read, or ``change`` refuses a job.
    """
    file = open_job(data, name)
    chosen = choose_jobs(file, name, plate)
    before, notes = without_blocks(file, name, chosen)
    edits = {}
    for at in chosen:
        job = before.jobs[at]
        new = change(job.text, job.name)
        if file.kind == "plain":
            return Written(new, (*file.notes, *notes))
        edits[at] = _putting_in(find_fences(new, job.name), new)
        if strip_bytes(new, job.name) != job.text:
            raise ProofError(job.name, "more than whole blocks changed", "Please report this")
    written = before.posed(edits, added_s() if added_s else None)
    return Written(written.data, (*file.notes, *notes, *written.notes))


def strip_file(data: bytes, name: str, *, plate: int | None = None) -> tuple[Written, int]:
    """A job file as it was before pose blocks went in, and how many poses went out.

    Raises
    ------
    CaptureHookError
        The file cannot be read, or its fences are damaged.
    """
    file = open_job(data, name)
    chosen = choose_jobs(file, name, plate)
    found = {at: find_fences(file.jobs[at].text, file.jobs[at].name) for at in chosen}
    poses = sum(fence.name.startswith("pose") for fences in found.values() for fence in fences)
    return file.stripped({at: _taking_out(fences) for at, fences in found.items()}), poses


def without_blocks(
    file: JobFile, name: str, chosen: Iterable[int]
) -> tuple[JobFile, tuple[str, ...]]:
    """The file as it was before blocks of an earlier run, and what is told about it."""
    jobs = [(at, file.jobs[at]) for at in chosen]
    found = {at: find_fences(job.text, job.name) for at, job in jobs}
    if not any(found.values()):
        return file, ()
    old = file.stripped({at: _taking_out(fences) for at, fences in found.items()})
    return open_job(old.data, name), old.notes


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
