"""Golden cases: a job and a profile beside the very bytes that come out.

In what is compared, the version and the plan's digest of the first fence stand as noughts:
they change with every new key of the profile and say nothing of the blocks.
"""

from __future__ import annotations

import re
from pathlib import Path

from capturehook.api import apply
from capturehook.block.poses import PosedJob
from capturehook.model.profile import Profile
from capturehook.profile import parse_profile

HERE = Path(__file__).parent
CASES = sorted(path.parent for path in HERE.glob("*/in.gcode"))
_STAMP = re.compile(rb"(; capturehook job begin )\S+( profile \S+ plan )[0-9a-f]{12}")


def profile_of(case: Path) -> Profile:
    return parse_profile((case / "profile.toml").read_text(encoding="utf-8"), "profile.toml")


def film(case: Path) -> PosedJob:
    """The case as it comes out now; one of them has no end code."""
    return apply((case / "in.gcode").read_bytes(), profile_of(case), path="in.gcode", is_whole=True)


def without_stamp(data: bytes) -> bytes:
    return _STAMP.sub(rb"\g<1>0\g<2>000000000000", data)
