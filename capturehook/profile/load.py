"""Finds, reads and checks a profile; one run reports every fault.

A profile that is named: a path, else the per-user folder by name, else the built-in starters.
Where none is named: ./capture.toml, else what the environment variable CAPTUREHOOK_PROFILE names.
"""

from __future__ import annotations

import difflib
import os
import re
from collections.abc import Iterator, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from capturehook.errors import CaptureHookError, FileError, ProfileError
from capturehook.model.profile import Profile
from capturehook.profile.checks import CHOICES, CROSS_CHECKS
from capturehook.profile.faults import newer_schema, record_of, toml_fault, word_faults, word_text
from capturehook.steps import step

LOCAL_NAME = "capture.toml"
ENVIRONMENT = "CAPTUREHOOK_PROFILE"
"""A profile's name or path; holds where none is named and ./capture.toml is missing."""
MAX_BYTES = 1_000_000
_SCHEMA = re.compile(rb"^\s*schema\s*=\s*\d", re.MULTILINE)
_TABLE = re.compile(rb"^\s*\[(?:machine|park|capture)\]", re.MULTILINE)
BUILT_IN = Path(__file__).parents[1] / "catalog" / "profiles"


def parse_profile(text: str, path: str) -> Profile:
    """TOML text -> Profile.

    Raises
    ------
    ProfileError
        With every fault found, each with its key or its line.
    """
    import tomli

    try:
        raw = tomli.loads(text)
    except (ValueError, RecursionError) as fault:
        raise ProfileError([toml_fault(path, fault)]) from fault
    return build_profile(raw, path)


def build_profile(raw: dict[str, Any], path: str) -> Profile:
    """A nested dict -> Profile; see :func:`parse_profile`."""
    newer = newer_schema(path, raw.get("schema"))
    if newer is not None:
        raise ProfileError([newer])
    try:
        profile = Profile.model_validate(raw, context=CHOICES)
    except ValidationError as fault:
        errors = fault.errors(include_url=False)
        faults = word_faults(Profile, path, errors)
        between = [word_text(path, text) for text in _between_sound_tables(raw, errors)]
        raise ProfileError(faults + between) from fault
    texts = [text for check, _ in CROSS_CHECKS for text in check(profile)]
    if texts:
        raise ProfileError([word_text(path, text) for text in texts])
    return profile


def _between_sound_tables(raw: dict[str, Any], errors: Sequence[Any]) -> Iterator[str]:
    """Faults between tables, where the tables concerned are sound in themselves."""
    broken = {str(error["loc"][0]) for error in errors if error["loc"]}
    partial = Profile.model_construct()
    for name, table in raw.items():
        record = record_of(Profile, name)
        if record is not None and name not in broken:
            partial.__dict__[name] = record.model_validate(table, context=CHOICES)
    for check, tables in CROSS_CHECKS:
        if broken.isdisjoint(tables):
            yield from check(partial)


def user_folder() -> Path:
    """Where a person's own profiles live on this system."""
    from platformdirs import user_config_path

    return user_config_path("capturehook", appauthor=False)


def list_profiles() -> Iterator[tuple[str, Path]]:
    """(name, path) of every profile that `find_profile` would find by name, nearest first."""
    seen: set[str] = set()
    for folder in (user_folder(), BUILT_IN):
        for path in _tables_in(folder):
            if path.stem not in seen:
                seen.add(path.stem)
                yield path.stem, path


def _tables_in(folder: Path) -> list[Path]:
    """The .toml files of a folder; none where it cannot be read (a host may run as another)."""
    try:
        return sorted(folder.glob("*.toml"))
    except OSError:
        return []


def unnamed_profile() -> str | None:
    """What -p is taken to be where it is left out; None where nothing says."""
    if Path(LOCAL_NAME).is_file():
        return LOCAL_NAME
    return os.environ.get(ENVIRONMENT) or None


def is_profile(data: bytes) -> bool:
    """These bytes are a profile, not a job (told by `schema =` and a table's head)."""
    head = data[:MAX_BYTES]
    return _SCHEMA.search(head) is not None and _TABLE.search(head) is not None


def find_profile(wish: str | None) -> Path:
    """The profile file for a path, a name, or nothing at all (see :func:`unnamed_profile`).

    Raises
    ------
    FileError
        Nothing of that name; lists the names there are.
    """
    wish = unnamed_profile() if wish is None else wish
    if wish is None:
        raise FileError(
            LOCAL_NAME,
            f"no profile was named, none is in this folder, and {ENVIRONMENT} is not set",
            "Name one with -p (to try: -p heron), or make one with `capturehook profile new`",
        )
    if wish == LOCAL_NAME:
        return Path(wish)
    as_path = Path(os.path.expanduser(wish))  # noqa: PTH111 - leaves an unknown ~name as it is
    if as_path.suffix == ".toml" or as_path.name != wish or os.path.isfile(as_path):  # noqa: PTH113
        return as_path
    known = dict(list_profiles())
    if wish in known:
        return known[wish]
    near = difflib.get_close_matches(wish, known, n=1)
    raise FileError(
        f"{wish!r:.60}",
        "no profile has this name" + (f", nearest is {near[0]}" if near else ""),
        f"Known are {', '.join(known)}; or give a path that ends in .toml",
    )


def load_profile(wish: str | Path | None) -> Profile:
    """Find, read and check a profile; see :func:`find_profile` and :func:`parse_profile`."""
    path = wish if isinstance(wish, Path) else find_profile(wish)
    step(f"profile: {path}")
    return _load(path, path.stat().st_mtime_ns if os.path.isfile(path) else 0)  # noqa: PTH113


@lru_cache(maxsize=16)
def _load(path: Path, _stamp: int) -> Profile:
    from capturehook.files import read_bytes

    where = str(path)
    raw = read_bytes(path)
    if len(raw) > MAX_BYTES:
        fault = CaptureHookError(where, "is too long for a profile", "Give the .toml file with -p")
        raise ProfileError([fault])
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as cause:
        fault = CaptureHookError(where, "is not UTF-8 text", "Save it as UTF-8")
        raise ProfileError([fault]) from cause
    return parse_profile(text, where)
