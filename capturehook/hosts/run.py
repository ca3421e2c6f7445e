"""What all calling conventions share: words read without a console, faults told in one line."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Container
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import click

from capturehook.errors import MOST_LETTERS, CaptureHookError, of_the_system, printable
from capturehook.hosts.stop import heed_stops, hush

if TYPE_CHECKING:
    from capturehook.model.profile import Profile

ENVIRONMENT = "CAPTUREHOOK_PROFILE"
PREFIX = "SLIC3R_"
"""Of the environment variables in which some hosts state every setting (docs/howto/hosts.md)."""
FINAL_NAME = f"{PREFIX}PP_OUTPUT_NAME"
"""Where hosts that hand over a temporary file say the job's final path (docs/howto/hosts.md)."""


PATH = click.Path(path_type=Path)
"""A file or folder among the words of a call."""
WHOLE = click.Option(
    ["--whole"], is_flag=True, help="JOB is whole, even if it seems to be cut off."
)


def words_of(name: str, about: str, *more: click.Parameter) -> click.Command:
    """The words that every convention knows, and ``more`` of its own."""
    return click.Command(
        f"python -m capturehook.hosts.{name}",
        callback=lambda **given: SimpleNamespace(**given),
        help=about,
        context_settings={"help_option_names": ["-h", "--help"]},
        params=[
            click.Option(
                ["-p", "--profile"],
                metavar="PROFILE",
                help=f"Name or .toml; else what {ENVIRONMENT} names.",
            ),
            click.Option(
                ["--skip-unsafe"], is_flag=True, help="Leave out poses that cannot be made safely."
            ),
            click.Option(["--plan-to"], type=PATH, metavar="PLAN", help="Write the plan there."),
            *more,
        ],
    )


def given_words(command: click.Command, argv: list[str] | None) -> Any:
    """The words of a call by name; after ``--help`` the program ends.

    Raises
    ------
    CaptureHookError
        A word that is wrong.
    """
    try:
        given = command.main(
            argv, prog_name=command.name, standalone_mode=False, windows_expand_args=False
        )
    except click.ClickException as fault:
        raise wrong_words(fault, str(command.name)) from fault
    if isinstance(given, int):
        raise SystemExit(given)
    return given


def wrong_words(fault: click.ClickException, typed: str) -> CaptureHookError:
    """Words that a command does not take, as an error in one line."""
    context = getattr(fault, "ctx", None)
    name = context.command_path if context is not None else typed
    found = " ".join(fault.format_message().split())
    found, _, near = found.replace("(Did you", "Did you").partition("Did you mean ")
    found = found.rstrip("(. ") + (f"; did you mean {near.rstrip('?). ')}" if near else "")
    if found[1:2].islower():  # not of JOB or A JOB
        found = found[0].lower() + found[1:]
    return CaptureHookError(name, found, f"See `{name} --help`")


def profile_named(wish: str | None) -> Profile:
    """The profile of a hook: what -p names, else the environment. The folder that a host runs in
    is not the person's, so a file there is not looked for.

    Raises
    ------
    CaptureHookError
        None is named, or it is faulty.
    """
    from capturehook.profile import load_profile

    named = wish or os.environ.get(ENVIRONMENT)
    if not named:
        raise CaptureHookError(
            "hook",
            f"no profile is named, and {ENVIRONMENT} is not set",
            "Add -p PROFILE to the line",
        )
    return load_profile(named)


def guarded(work: Callable[[], int]) -> int:
    """Run ``work``; any fault becomes a line on standard error and an exit code that is not 0."""
    heed_stops()
    try:
        return work()
    except CaptureHookError as fault:
        for one in fault.each():
            tell(str(one))
        return fault.exit_code
    except ImportError as fault:
        tell(f"capturehook: a package it needs is missing ({fault}). Install capturehook again.")
        return 2
    except KeyboardInterrupt:
        return 130
    except OSError as fault:
        tell(str(of_the_system(fault)))
        return 2
    except Exception as fault:
        tell(f"capturehook: a fault of ours ({_traced(fault)}); the job is as it was. Report it.")
        return 3


def tell(text: str) -> None:
    """A line on standard error, where there is one."""
    try:
        if sys.stderr is not None:
            print(printable(text), file=sys.stderr, flush=True)
    except (OSError, ValueError):  # no reader is left; else Python tries again and fails at its end
        hush(sys.stderr)


def settings_of_host(known: Container[str] = ()) -> bytes:
    """What the host states of printer and settings in its environment, as comments of a job.

    For what a job does not state itself (``known``); keys as hosts write them into jobs.
    """
    stated = (
        (name.removeprefix(PREFIX).lower(), value)
        for name, value in sorted(os.environ.items())
        if name.startswith(PREFIX) and not name.startswith(f"{PREFIX}PP_")
    )
    return b"".join(
        f"; {key} = {value}\n".encode("utf-8", "replace")
        for key, value in stated
        if key not in known
        and key.isidentifier()
        and value.isprintable()
        and len(value) < MOST_LETTERS
    )


def final_name(path: str) -> str:
    """How messages name the job: as the host will, where it says so, else by its path.

    Hosts hand over a temporary file and put its final name into the environment
    (docs/howto/hosts.md#names-in-messages-and-the-plan).
    """
    name = os.environ.get(FINAL_NAME, "").replace("\\", "/").rpartition("/")[2]
    return name or path


def _traced(fault: Exception) -> str:
    at = fault.__traceback__
    while at is not None and at.tb_next is not None:
        at = at.tb_next
    place = f" at {at.tb_frame.f_code.co_filename}:{at.tb_lineno}" if at is not None else ""
    return " ".join(f"{type(fault).__name__}: {fault}{place}".split())
