"""The door of the command line: which command lives in which module; errors to exit codes.

Commands are imported only when called, since a slicing host waits for us.
"""

from __future__ import annotations

import errno
import gc
import io
import os
import sys
import time
from difflib import get_close_matches
from importlib import import_module
from typing import Any

import click

from capturehook.cli import show
from capturehook.cli.options import finished
from capturehook.errors import CaptureHookError, FileError, of_the_system
from capturehook.hosts.run import wrong_words
from capturehook.hosts.stop import heed_stops
from capturehook.steps import step

gc.set_threshold(100_000, 20, 20)  # a run is short and makes few cycles
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # no linear algebra here needs more
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")  # looking for them reads all packages
COMMANDS = {
    "apply": ("job", "apply_command"),
    "strip": ("job", "strip_command"),
    "inspect": ("inspect", "inspect_command"),
    "plan": ("plan", "plan_command"),
    "profile": ("profiles", "profile_group"),
    "hook": ("hosts", "hook_command"),
    "snippet": ("hosts", "snippet_command"),
    "demo": ("demo", "demo_command"),
    "optics": ("optics", "optics_command"),
    "trigger": ("trigger", "trigger_command"),
    "bracket": ("bracket", "bracket_command"),
    "trial": ("trial", "trial_command"),
    "resin": ("resin", "resin_command"),
    "rehearse": ("rehearse", "rehearse_command"),
    "attend": ("attend", "attend_command"),
    "audit": ("audit", "audit_command"),
    "assemble": ("assemble", "assemble_command"),
}


class LazyGroup(click.Group):
    """A group that imports a command's module when it is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module, name = COMMANDS[cmd_name]
        command = getattr(import_module(f"capturehook.cli.{module}"), name)
        assert isinstance(command, click.Command)
        return finished(command)

    def invoke(self, ctx: click.Context) -> Any:
        """What a command gives back; 0 where its reader has seen enough (click exits with 1)."""
        try:
            return super().invoke(ctx)
        except BrokenPipeError:
            show.hush(sys.stdout)
            return 0

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        try:
            return super().resolve_command(ctx, args)
        except click.UsageError as fault:
            near = get_close_matches(args[0], COMMANDS, n=1)
            if near and "Did you" not in fault.message:
                told = f"{fault.message.rstrip('.')} (Did you mean {near[0]!r}?)"
                raise click.UsageError(told, ctx) from fault
            raise


@click.group(
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.option(
    "--version",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=lambda context, _option, asked: _show_version(context) if asked else None,
    help="Show the version, and what other packages add to it.",
)
def main() -> None:
    """Film your own 3D prints: pose blocks for sliced jobs, planned, proved, checked, made a film.

    \b
    Start with:  capturehook demo
    Then:        capturehook apply part.gcode -p heron --dry-run
    """


def _show_version(context: click.Context) -> None:
    from importlib.metadata import entry_points

    from capturehook import __version__

    click.echo(f"capturehook, version {__version__}")
    if any(group.startswith("capturehook.") for group in entry_points().groups):
        from capturehook.catalog.containers import plugin_lines

        for line in plugin_lines():
            click.echo(line)
    context.exit()


def run(argv: list[str] | None = None) -> None:
    """Entry point. Exit codes: 0 done, 1 findings, 2 the user can fix it, 3 ours."""
    heed_stops()
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")  # a name no encoding holds
    code = _flushed(_code(argv))
    gc.freeze()  # Python's own end would look through all that is loaded, three times
    sys.exit(code)


def _code(argv: list[str] | None) -> int:
    """Run a command; its exit code, every fault told."""
    show.plainly()
    start = time.monotonic()
    try:
        code = main.main(
            args=_expanded(argv),
            prog_name="capturehook",
            standalone_mode=False,
            windows_expand_args=False,
        )
        step(f"done in {time.monotonic() - start:.2f} s")
    except CaptureHookError as fault:
        return _told(fault, argv)
    except click.ClickException as fault:
        if isinstance(fault, getattr(click.exceptions, "NoArgsIsHelpError", ())):
            fault.show()
            return 2
        return _told(wrong_words(fault, _typed(argv)), argv)
    except (click.Abort, KeyboardInterrupt):
        click.echo("Stopped; no file is left half-written.", err=True)
        return 130
    except OSError as fault:
        return _told(_file_or_stream(fault), argv)
    except Exception:
        import traceback

        traceback.print_exc()
        from capturehook.catalog.register import IN_USE

        others = "".join(f", or of {one}" for one in IN_USE)
        click.echo(
            f"This is a fault of capturehook{others}, not of your job. Nothing was changed.",
            err=True,
        )
        return 3
    return code if isinstance(code, int) else 0


def _typed(argv: list[str] | None) -> str:
    """The command that was meant, for messages that do not know."""
    words = [one for one in (argv or sys.argv[1:])[:1] if one in COMMANDS]
    return " ".join(["capturehook", *words])


def _expanded(argv: list[str] | None) -> list[str] | None:
    """Patterns with * and ? as the names they fit, on Windows, whose shells leave that to us.

    No name can hold * or ? there; brackets and % can stand in names and stay as they are.
    """
    if argv is not None or os.name != "nt":
        return argv
    from glob import escape, glob

    words = []
    for word in sys.argv[1:]:
        pattern = escape(word).replace("[*]", "*").replace("[?]", "?")
        is_pattern = {"*", "?"} & set(word) and word[:1] != "-"
        words += (sorted(glob(pattern)) if is_pattern else []) or [word]  # noqa: PTH207
    return words


def _file_or_stream(fault: OSError) -> CaptureHookError:
    """A fault that names no file and is one of writing is standard output's."""
    if fault.filename is not None or fault.errno in (None, errno.ENOENT, errno.EACCES):
        return of_the_system(fault)
    return _unwritable(fault)


def _unwritable(fault: Exception) -> FileError:
    show.hush(sys.stdout)
    reason = getattr(fault, "strerror", None) or fault
    return FileError("standard output", f"cannot be written ({reason})", "Free some space")


def _flushed(code: int) -> int:
    """Write out what is still held back; the exit code when that fails."""
    try:
        if sys.stdout is not None:
            sys.stdout.flush()
    except BrokenPipeError:  # its reader has seen enough
        show.hush(sys.stdout)
    except (OSError, ValueError) as fault:
        return _told(_unwritable(fault), ["--quiet"])
    return code


def _told(fault: CaptureHookError, argv: list[str] | None) -> int:
    """The fault shown, and its exit code."""
    show.show_error(fault, as_json="--json" in (argv or sys.argv[1:]))
    return fault.exit_code
