"""Edit in place: a host hands over a file's path as the last word and takes the file back."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

from capturehook.files import read_bytes, write_atomically
from capturehook.hosts.run import final_name, guarded, words_of
from capturehook.model.profile import Profile

Change = Callable[[bytes, str], bytes]
"""(a job's bytes, how messages name it) -> its new bytes."""


def pose_change(profile: Profile, *, skip_unsafe: bool = False) -> Change:
    """The change that puts pose blocks in."""
    from capturehook.api import apply

    return lambda data, name: apply(data, profile, path=name, skip_unsafe=skip_unsafe).data


def edit_file(path: Path, change: Change) -> None:
    """Change the job at ``path`` as a whole, or leave it as it is.

    Raises
    ------
    CaptureHookError
        As :func:`capturehook.api.apply`; or the file cannot be read or written.
    """
    data = read_bytes(path)
    new = change(data, final_name(str(path)))
    if new != data:
        write_atomically(path, new)


def main(argv: list[str] | None = None) -> int:
    """`-p PROFILE JOB`; quiet when all went well."""
    return guarded(lambda: _run(sys.argv[1:] if argv is None else argv))


def _run(argv: list[str]) -> int:
    from capturehook.profile import load_profile

    words = words_of("edit", "Put pose blocks into the job at JOB, in place.")
    words.add_argument("job", metavar="JOB", help="the file, as the last word")
    given = words.parse_args(argv)
    profile = load_profile(given.profile)
    edit_file(Path(given.job), pose_change(profile, skip_unsafe=given.skip_unsafe))
    return 0


if __name__ == "__main__":
    sys.exit(main())
