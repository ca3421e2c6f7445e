"""What is told of a job that got its poses: one line, and one for each kind of warning."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from capturehook.errors import Finding, GcodeError, counted
from capturehook.hosts.run import settings_of_host, tell
from capturehook.model.numbers import duration

if TYPE_CHECKING:
    from capturehook.block.poses import PosedJob
    from capturehook.model.profile import Profile

MOST_PLACES = 40
"""Places of the same warning that are named."""


class Posing:
    """Puts pose blocks into texts of jobs, and remembers what it did in ``done``.

    ``needs_end`` refuses a job without any sign of its end: its copy may still go on.
    """

    def __init__(
        self,
        profile: Profile,
        *,
        skip_unsafe: bool = False,
        is_whole: bool = False,
        needs_end: bool = False,
    ) -> None:
        self.profile, self.skip_unsafe, self.is_whole = profile, skip_unsafe, is_whole
        self.needs_end = needs_end
        self.done: list[PosedJob] = []

    def __call__(self, text: bytes, name: str) -> bytes:
        from capturehook.api import apply

        applied = apply(
            text, self.profile, path=name, skip_unsafe=self.skip_unsafe, is_whole=self.is_whole
        )
        cut = next((one for one in applied.findings if one.code == "may-be-cut"), None)
        if self.needs_end and cut is not None:
            raise GcodeError(cut.where, cut.text, "It is taken when it changes; or use `apply`")
        applied.findings.extend(_said_by_host(applied, text, name))
        self.done.append(applied)
        return applied.data

    def take(self) -> list[PosedJob]:
        """What was done since this was asked last."""
        done, self.done = self.done, []
        return done


def _said_by_host(applied: PosedJob, text: bytes, name: str) -> list[Finding]:
    """What the host's environment states against the profile, where the job does not say it."""
    from capturehook.read.source import open_source
    from capturehook.read.stated import read_settings
    from capturehook.read.verdict import stated_findings

    more = settings_of_host(read_settings(text))
    if not more:
        return []
    job = replace(applied.job, source=open_source(text + b"\n" + more, name))
    known = {(one.code, one.text) for one in applied.findings}
    found = (one for one in stated_findings(job) if (one.code, one.text) not in known)
    return [Finding(one.code, f"{name}: the host's settings", one.text) for one in found]


def added_text(applied: PosedJob) -> str:
    """`60 poses, adds 3 min 20 s`."""
    from capturehook.report.cost import added_seconds

    count = len(applied.poses)
    added = float(added_seconds(applied.job, applied.poses).sum())
    return f"{counted(count, 'pose')}, adds {duration(added)}"


def alike(findings: Iterable[Finding]) -> list[str]:
    """One line for each thing said; what is said word for word at many places is said once."""
    groups: dict[tuple[str, str], list[Finding]] = {}
    for finding in findings:
        groups.setdefault((finding.code, finding.text), []).append(finding)
    return [f"! {first}" + _others(first, rest) for first, *rest in groups.values()]


def _others(first: Finding, rest: Sequence[Finding]) -> str:
    """Where else the same is said, without the part of the places that they share."""
    if not rest:
        return ""
    shared = re.sub(r"(?<=:)[0-9]+(:.*)?$", "", first.where)
    places = [one.where.removeprefix(shared) for one in rest[:MOST_PLACES]]
    more = f" and {len(rest) - MOST_PLACES} more" if len(rest) > MOST_PLACES else ""
    return f" (also at {', '.join(places)}{more})"


def keep_told(
    name: str, done: Sequence[PosedJob], beside: Path | None, plan_to: Path | None
) -> list[str]:
    """Keep the plans of posed jobs; where they are. What went wrong is told."""
    from capturehook.hosts.plans import keep_plans

    plates: list[int | None] = list(range(1, len(done) + 1))
    paths, faults = keep_plans(done, plates, beside, plan_to)
    for fault in faults:
        tell(f"{name}: {fault}")
    return paths


def tell_summary(name: str, done: Sequence[PosedJob], plans: Sequence[str] = ()) -> None:
    """A hook's report on standard error: what went in, and every warning."""
    for at, applied in enumerate(done):
        where = name if len(done) == 1 else applied.job.source.path
        count = len(applied.findings)
        text = f"{where}: {added_text(applied)}"
        text += f", {counted(count, 'warning')}" if count else ""
        text += f"; plan: {plans[at]}" if at < len(plans) else ""
        tell(text)
        for line in alike(applied.findings):
            tell(line)
