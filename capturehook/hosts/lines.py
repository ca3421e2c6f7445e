"""The line to paste into a host, for each calling convention, with this machine's paths.

The module form `python -m capturehook.hosts...` is used, since it works from a checkout and
from an installed package alike.
"""

from __future__ import annotations

import re
import sys
from dataclasses import dataclass
from pathlib import Path

from capturehook.profile import find_profile, list_profiles


@dataclass(frozen=True, slots=True, kw_only=True)
class HookLine:
    """One calling convention: its line, where it goes, and what to mind."""

    convention: str
    line: str
    goes: str
    note: str


def hook_lines(profile: str, folder: str | None = None) -> list[HookLine]:
    """The lines of all conventions for one profile.

    Parameters
    ----------
    profile : a name, or a path (made absolute: a host runs in another folder)
    folder : the folder to watch; a placeholder unless given

    Raises
    ------
    FileError
        There is no such profile.
    """
    wish = _anywhere(profile)
    watched = str(Path(folder).absolute()) if folder else "FOLDER"
    return [
        HookLine(
            convention="edit in place",
            line=_line("edit", "-p", wish),
            goes="the host's field for a script or command to run on the sliced file",
            note="The host adds the file's path as the last word and waits. The file may be text, "
            "gzip, a binary job or packed plates; it stays of its kind.",
        ),
        HookLine(
            convention="pipe",
            line=_line("pipe", "-p", wish),
            goes="a command that reads the job on standard input and writes the result",
            note="Nothing is written unless all went well; look at the exit code.",
        ),
        HookLine(
            convention="watched folder",
            line=_line("watch", "-p", wish, watched),
            goes="a terminal, or what starts programs at login; then save jobs into that folder",
            note="The job stays as it is; the result goes beside it as NAME.posed.gcode.",
        ),
    ]


def _anywhere(profile: str) -> str:
    """A name stays a name; a path is made good for any working folder."""
    path = find_profile(profile)
    return profile if dict(list_profiles()).get(profile) == path else str(path.absolute())


def _line(module: str, *words: str) -> str:
    """The whole command. `-P` keeps the host's own folder out of Python's search."""
    safe = ["-P"] if sys.version_info >= (3, 11) else []
    command = (_python(), *safe, "-m", f"capturehook.hosts.{module}", *words)
    return " ".join(_quoted(word) for word in command)


def _python() -> str:
    """This Python, by its absolute path (not resolved: a link into a venv means the venv)."""
    return str(Path(sys.executable).absolute())


def _quoted(word: str) -> str:
    """In double quotes where it holds more than letters and signs no host minds.

    Backslashes before the closing quote are doubled, else they would escape it: "Parsing C
    command-line arguments", learn.microsoft.com. Inside the quotes cmd.exe takes nothing for
    its own but %, which no quoting keeps from it.
    """
    if not re.search(r"[^\w./:\\+=@%,~-]", word):
        return word
    return '"' + re.sub(r"(\\+)$", r"\1\1", word) + '"'
