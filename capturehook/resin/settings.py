"""The profile of a resin printer, found by name or path, with its [resin] table."""

from __future__ import annotations

from capturehook.errors import CaptureHookError, FileError, ProfileError, Where
from capturehook.model.profile import Profile
from capturehook.model.resin import ResinTable
from capturehook.profile import find_profile, load_profile
from capturehook.profile.load import LOCAL_NAME, unnamed_profile


def load_resin_profile(wish: str | None) -> tuple[Profile, ResinTable]:
    """A profile and its [resin] table; searched for as every profile is.

    Raises
    ------
    FileError
        No profile was named and none stands in this folder, or there is none of that name.
    ProfileError
        Faults in it, or no [resin] table.
    """
    if wish is None and unnamed_profile() is None:
        raise FileError(
            LOCAL_NAME,
            "no profile was named and none stands in this folder",
            "Name one with -p (for a first try: -p tern)",
        )
    path = find_profile(wish)
    profile = load_profile(path)
    if profile.resin is None:
        fault = CaptureHookError(
            Where(str(path), key="[resin]"), "is missing", "Add the table, or name a resin profile"
        )
        raise ProfileError([fault])
    return profile, profile.resin
