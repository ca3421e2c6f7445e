"""The profiles a person has: which there are, and a new one."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

from capturehook.catalog import TRIGGERS
from capturehook.errors import CaptureHookError, FileError, Finding, ProfileError
from capturehook.files import write_atomically
from capturehook.model.profile import Profile
from capturehook.profile import list_profiles, load_profile, user_folder
from capturehook.profile.faults import PATTERNS
from capturehook.profile.text import starter_text


@dataclass(frozen=True, slots=True, kw_only=True)
class OnShelf:
    """One profile as `profile list` shows it; a faulty one has its count of faults alone."""

    name: str
    path: str
    firmware: str
    trigger: str
    faults: int

    def as_json(self) -> dict[str, object]:
        return asdict(self)


def list_shelf() -> list[OnShelf]:
    """Every profile that can be named, nearest first."""
    return [_look_at(name, path) for name, path in list_profiles()]


def _look_at(name: str, path: Path) -> OnShelf:
    try:
        profile = load_profile(path)
    except CaptureHookError as fault:
        faults = len(fault.faults) if isinstance(fault, ProfileError) else 1
        return OnShelf(name=name, path=str(path), firmware="", trigger="", faults=faults)
    firmware, trigger = profile.machine.firmware, profile.trigger.by
    return OnShelf(name=name, path=str(path), firmware=firmware, trigger=trigger, faults=0)


def findings_of(path: Path) -> list[Finding]:
    """What a sound profile still warns of: its trigger, and keys that do nothing.

    Raises
    ------
    FileError, ProfileError
        It cannot be read, or is not sound; with all its faults.
    """
    profile = load_profile(path)
    return [*TRIGGERS[profile.trigger.by].findings(profile), *_idle_wishes(profile)]


def _idle_wishes(profile: Profile) -> Iterator[Finding]:
    capture = profile.capture
    if capture.spread != "height" and capture.film_s is None:
        text = f'"{capture.spread}" has no effect without film_s; set film_s, or delete it'
        yield Finding("idle-key", "[capture] spread", text)
    by = profile.trigger.by
    if by != "wait" and profile.camera.interval_s is not None:
        text = f'has no effect with by = "{by}"; delete it, or use by = "wait"'
        yield Finding("idle-key", "[camera] interval_s", text)


def new_profile(
    name: str, base: str = "heron", out: Path | None = None, *, replace: bool = False
) -> Path:
    """Write a commented starter, made from another profile.

    Parameters
    ----------
    out : where to; unless given, the per-user folder, where `-p NAME` finds it
    replace : overwrite an existing file

    Raises
    ------
    FileError
        The name is not valid, the file exists already, or it cannot be written.
    ProfileError
        The profile to start from is faulty.
    """
    path = place_for(name, out, replace=replace)
    return write_profile(path, starter_text(load_profile(base), name))


def place_for(name: str, out: Path | None, *, replace: bool) -> Path:
    """Where a new profile goes; see :func:`new_profile`."""
    if not re.fullmatch(r"[a-z0-9][a-z0-9_-]{0,39}", name):
        advice = f"{PATTERNS['name']}; at most 40"
        raise FileError(repr(name), "is not a valid profile name", advice)
    path = user_folder() / f"{name}.toml" if out is None else out
    if path.exists() and not replace:
        raise FileError(str(path), "exists already", "Choose another name, or add --replace")
    return path


def write_profile(path: Path, text: str) -> Path:
    """Write it whole; your own folder is made where it is missing."""
    if path.parent == user_folder():
        _make_folder(path.parent)
    write_atomically(path, text.encode())
    return path


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise FileError(
            str(folder),
            f"the folder cannot be created ({fault.strerror or fault})",
            "Say where to write it with -o",
        ) from fault
