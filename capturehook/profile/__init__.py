"""Profiles: finding, reading and checking one, starter texts, and the shelf they stand on."""

from capturehook.profile.load import (
    build_profile,
    find_profile,
    list_profiles,
    load_profile,
    parse_profile,
    user_folder,
)

__all__ = [
    "build_profile",
    "find_profile",
    "list_profiles",
    "load_profile",
    "parse_profile",
    "user_folder",
]
