"""What is known of a resin job, whatever container it came in."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

from capturehook.errors import Finding
from capturehook.resin.timeline import Floats, Ints, LightTimeline

_NUMBERED = re.compile(r"^(.*?)([0-9]{1,9})\.png$", re.IGNORECASE | re.DOTALL)

TIME_APART = 0.25
"""Share of the stated print time by which a timeline may differ before it is a finding."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PoseTimes:
    """P pose blocks found in a job; shapes (P,).

    Attributes
    ----------
    layer_no : as the fence states it
    fire_s : second at which the camera is fired
    still_s : how long the plate stays at the pose from then on
    plate_mm : height of the plate at the pose
    """

    layer_no: Ints
    fire_s: Floats
    still_s: Floats
    plate_mm: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class ResinJob:
    """A job as read.

    Attributes
    ----------
    kind : "commands" (a run.gcode tells every move) or "settings" (a text of key = value)
    text_name : the member that was read; "" without a job file
    images : (L,) member shown in each layer; "" where none was found
    stated_s : print time that the job itself states, or None
    evidence : sentences: what was found that made it this kind
    assumed : sentences: what the job leaves unsaid and the profile filled in
    poses : pose blocks found in the job
    """

    path: str
    kind: str
    text_name: str
    timeline: LightTimeline
    images: tuple[str, ...]
    stated_s: float | None
    evidence: tuple[str, ...]
    assumed: tuple[str, ...]
    findings: tuple[Finding, ...] = ()
    poses: PoseTimes | None = None


def numbered_images(names: Iterable[str]) -> tuple[list[tuple[int, str]], str]:
    """The layer images, (number, name) in rising number, and the part of the name they share.

    Previews carry numbers too (their size in pixels): the largest family of equal beginnings
    is taken.
    """
    families: dict[str, list[tuple[int, str]]] = defaultdict(list)
    for name in names:
        found = _NUMBERED.match(name)
        if found:
            families[found.group(1)].append((int(found.group(2)), name))
    if not families:
        return [], ""
    stem = max(families, key=lambda key: (len(families[key]), -key.count("/"), -len(key)))
    return sorted(families[stem]), stem


def gaps(images: list[tuple[int, str]], path: str) -> list[Finding]:
    """A finding when numbers are missing between the first and the last image."""
    numbers = sorted({number for number, _ in images})
    holes = [(low + 1, high - low - 1) for low, high in pairwise(numbers) if high > low + 1]
    if not holes:
        return []
    missing = sum(count for _, count in holes)
    text = f"{missing} layer image(s) missing, the first is number {holes[0][0]}"
    return [Finding("resin-image-gap", path, text)]


def each_kth(count: int, every: int) -> slice:
    """The slice that keeps each k-th of ``count`` things, the last one among them: ceil(N / k)."""
    return slice((count - 1) % every if count else 0, None, every)


def time_findings(stated_s: float | None, total_s: float, path: str) -> list[Finding]:
    """A finding when the job's own print time and the timeline are far apart."""
    if not stated_s or abs(total_s - stated_s) <= TIME_APART * stated_s:
        return []
    text = (
        f"the job states {stated_s:.0f} s of print time, the timeline comes to {total_s:.0f} s: "
        "check lift, retract, rests and startup_s of [resin]"
    )
    return [Finding("resin-time-differs", path, text)]
