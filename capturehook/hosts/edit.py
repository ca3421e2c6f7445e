"""Edit in place: a host hands over a file's path as the last word and takes the file back."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from capturehook.files import read_and_look, write_atomically
from capturehook.hosts.door import Change, pose_file, strip_file
from capturehook.hosts.plans import final_path
from capturehook.hosts.run import (
    PATH,
    WHOLE,
    final_name,
    given_words,
    guarded,
    profile_named,
    tell,
    words_of,
)
from capturehook.hosts.summary import Posing, keep_told, tell_summary


def edit_file(
    path: Path,
    change: Change | None,
    *,
    name: str | None = None,
    out: Path | None = None,
    plate: int | None = None,
) -> tuple[str, ...]:
    """Change the job file at ``path`` as a whole, or leave it as it is.

    Parameters
    ----------
    change : puts blocks in; None takes them out
    name : how messages name the file; unless given, by its path
    out : where to; unless given, in place

    Returns
    -------
    What is to be told, a sentence each

    Raises
    ------
    CaptureHookError
        The job cannot be read or posed; or a file cannot be read or written.
    """
    data, look = read_and_look(path)
    job = name or str(path)
    if change is None:
        written = strip_file(data, job, plate=plate)[0]
    else:
        written = pose_file(data, job, change, plate=plate)
    if out is not None and out.resolve() != path.resolve():
        return (*written.notes, *write_atomically(out, written.data))
    if written.data != data:
        return (*written.notes, *write_atomically(path, written.data, look))
    return written.notes


def main(argv: list[str] | None = None) -> int:
    """`-p PROFILE [--strip] [-o OUT] [--plate N] JOB`; one line on standard error when done."""
    return guarded(lambda: _run(argv))


def _run(argv: list[str] | None) -> int:
    words = words_of(
        "edit",
        "Put pose blocks into the job at JOB, in place.",
        WHOLE,
        click.Option(["--strip"], is_flag=True, help="Take them out again."),
        click.Option(["-o", "--out"], type=PATH, metavar="OUT", help="Write there, not in place."),
        click.Option(["--plate"], type=int, metavar="N", help="Of several plates, this one."),
        click.Argument(["job"], metavar="JOB"),
    )
    given = given_words(words, argv)
    change = None
    if not given.strip:
        profile = profile_named(given.profile)
        change = Posing(profile, skip_unsafe=given.skip_unsafe, is_whole=given.whole)
    name = final_name(given.job)
    notes = edit_file(Path(given.job), change, name=name, out=given.out, plate=given.plate)
    if change is not None:
        tell_summary(name, change.done, keep_told(name, change.done, final_path(), given.plan_to))
    for text in notes:
        tell(f"{name}: {text}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
