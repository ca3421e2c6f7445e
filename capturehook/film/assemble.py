"""The film: pass one measures every frame small, pass two renders and encodes, one at a time.

In: frames and, mostly, the plan. Out: a film, and a list of what is in it. The frames are
only read.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timezone
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from capturehook.audit.judge import Audit
from capturehook.errors import Finding, FrameError
from capturehook.files import write_atomically
from capturehook.film.align import Align, Alignment, align_frames
from capturehook.film.choose import Chosen, Correction, Fill, choose_frames, list_csv
from capturehook.film.encode import Quality, open_film, parse_fps
from capturehook.film.framing import Framing, frame_film
from capturehook.film.render import Rgb, fade, mix, render_frame, write_text
from capturehook.frames.light import EvenLight
from capturehook.frames.listing import refuse_over_frames
from capturehook.frames.measure import in_order

TEXTS = ("layer", "height", "time")
FILM_SCHEMA = 1
DEFAULT_FPS = "30"
DEFAULT_HOLD_S = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmWishes:
    """What the film should be; None means: from the plan, or the usual.

    ``text`` holds some of TEXTS; ``align`` undoes shifts, shifts with turn and scale, nothing,
    or as much of it as is there (auto). ``even_light`` takes out what changes from frame to
    frame ("lamps") or slow changes of daylight too ("all").
    """

    fps: str | None = None
    crop: str = "keep"
    width_px: int | None = None
    centre_px: tuple[float, float] | None = None
    fill: Fill = "hold"
    align: Align = "auto"
    even_light: EvenLight | None = None
    hold_last_s: float | None = None
    fade_s: float = 0.0
    text: tuple[str, ...] = ()
    codec: str = "h264"
    quality: Quality = "good"
    title: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmReport:
    """What was written; ``level`` is the H.264 level or None."""

    path: Path
    width_px: int
    height_px: int
    fps: Fraction
    frames: int
    chosen: tuple[Chosen, ...]
    level: str | None
    alignment: Alignment
    findings: tuple[Finding, ...]

    @property
    def seconds(self) -> float:
        return float(self.frames / self.fps)


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """All decisions, before a single pixel is drawn."""

    audit: Audit
    wishes: FilmWishes
    chosen: tuple[Chosen, ...]
    corrections: dict[int, Correction]
    alignment: Alignment
    framing: Framing
    fps: Fraction
    last_shown: int
    findings: tuple[Finding, ...]

    @property
    def film_frames(self) -> int:
        return len(self.chosen) - 1 + self.last_shown


def assemble_film(
    audit: Audit,
    path: Path,
    wishes: FilmWishes | None = None,
    *,
    list_path: Path | None = None,
    progress: Callable[[int], None] | None = None,
) -> FilmReport:
    """Write the film of an audited shoot.

    Parameters
    ----------
    audit : from `audit_frames`: the first pass
    path : the film; its ending chooses the container
    list_path : write the chosen frames and their corrections as CSV too
    progress : called with the count of film pictures rendered

    Raises
    ------
    FrameError
        No frame is fit, a wish cannot be met, or no encoder.
    FileError
        The film cannot be written; what stood there is unchanged.
    """
    recipe = plan_film(audit, wishes or FilmWishes())
    for out in (path, list_path):
        if out is not None:
            refuse_over_frames(audit.frames, out)
    framing = recipe.framing
    with open_film(
        path,
        framing.width_px,
        framing.height_px,
        recipe.fps,
        recipe.wishes.codec,
        quality=recipe.wishes.quality,
        metadata=_metadata(recipe),
    ) as film:
        for index, rgb in enumerate(_pictures(recipe)):
            is_last = index == len(recipe.chosen) - 1
            for shown in range(recipe.last_shown if is_last else 1):
                film.add(fade(rgb, _fade_share(recipe, index + shown)))
            if progress is not None:
                progress(index + 1)
    if list_path is not None:
        write_atomically(list_path, film_list(recipe).encode())
    return FilmReport(
        path=path,
        width_px=framing.width_px,
        height_px=framing.height_px,
        fps=recipe.fps,
        frames=film.frames,
        chosen=recipe.chosen,
        level=film.level,
        alignment=recipe.alignment,
        findings=recipe.findings,
    )


def plan_film(audit: Audit, wishes: FilmWishes) -> Recipe:
    """Everything that is decided from the first pass; see :func:`assemble_film` for errors."""
    _check(audit, wishes)
    if not audit.measures.area.sure:
        wishes = replace(wishes, align="none")
    chosen, findings = choose_frames(audit, wishes.fill, aligned=wishes.align != "none")
    fps = parse_fps(wishes.fps or (audit.plan.fps if audit.plan is not None else DEFAULT_FPS))
    used = {i for one in chosen for i in (one.frame_index, one.other_index) if i is not None}
    corrections, alignment = align_frames(
        audit.measures, sorted(used), wishes.align, wishes.even_light
    )
    framing, crop_findings = frame_film(
        audit.frames.size_px,
        corrections.values(),
        wishes.crop,
        wishes.width_px,
        wishes.centre_px,
    )
    return Recipe(
        audit=audit,
        wishes=wishes,
        chosen=tuple(chosen),
        corrections=corrections,
        alignment=alignment,
        framing=framing,
        fps=fps,
        last_shown=1 + round(_hold_s(audit, wishes) * fps),
        findings=(*findings, *crop_findings, *audit.measures.area.findings()),
    )


def film_list(recipe: Recipe) -> str:
    """The chosen frames as CSV text, for another editor."""
    return list_csv(
        recipe.audit, list(recipe.chosen), recipe.corrections, recipe.fps, recipe.last_shown
    )


def _check(audit: Audit, wishes: FilmWishes) -> None:
    unknown = [word for word in wishes.text if word not in TEXTS]
    if unknown:
        raise FrameError(
            "--progress-text", f"{unknown[0]!r} is not known", f"Use {', '.join(TEXTS)}"
        )
    if wishes.text and audit.plan is None:
        raise FrameError(
            "--progress-text", "layers and heights are known from the plan only", "Add --plan"
        )
    for option, value in (("--hold-last", wishes.hold_last_s), ("--fade", wishes.fade_s)):
        if value is not None and not 0 <= value <= 600:
            raise FrameError(option, f"{value:g} s is outside 0 to 600", "Give seconds")


def _hold_s(audit: Audit, wishes: FilmWishes) -> Fraction:
    hold_s = wishes.hold_last_s
    if hold_s is None:
        hold_s = audit.plan.hold_last_s if audit.plan is not None else DEFAULT_HOLD_S
    return Fraction(hold_s).limit_denominator(1000)


def _fade_share(recipe: Recipe, film_frame: int) -> float:
    """0 until the fade begins, 1 on the last frame."""
    fading = round(recipe.wishes.fade_s * recipe.fps)
    if fading < 1:
        return 0.0
    left = recipe.film_frames - 1 - film_frame
    return max(0.0, 1 - left / fading)


def _pictures(recipe: Recipe) -> Iterator[Rgb]:
    """Rendered a few ahead in threads, in the order of the film."""
    return in_order(lambda one: _picture(recipe, one), recipe.chosen)


def _picture(recipe: Recipe, one: Chosen) -> Rgb:
    rgb = _rendered(recipe, one.frame_index)
    if one.other_index is not None:
        rgb = mix(rgb, _rendered(recipe, one.other_index), one.share)
    if recipe.wishes.text and one.pose_index is not None:
        rgb = write_text(rgb, progress_text(recipe.audit, one.pose_index, recipe.wishes.text))
    return rgb


def _rendered(recipe: Recipe, frame_index: int) -> Rgb:
    frames = recipe.audit.frames
    return render_frame(
        frames.frames[frame_index],
        frames.size_px,
        recipe.framing,
        recipe.corrections[frame_index],
        recipe.audit.measures.pivot_px,
    )


def progress_text(audit: Audit, pose_index: int, wishes: tuple[str, ...]) -> str:
    """Such as "layer 12 of 40   2.4 mm   0:31 h"; the time is the planned one."""
    plan = audit.plan
    assert plan is not None
    pose = plan.poses[pose_index]
    minutes = int(pose.t_s // 60)
    words = {
        "layer": f"layer {pose.layer} of {max(one.layer for one in plan.poses)}",
        "height": f"{pose.z_mm:.1f} mm",
        "time": f"{minutes // 60}:{minutes % 60:02d} h",
    }
    return "   ".join(words[wish] for wish in TEXTS if wish in wishes)


def _metadata(recipe: Recipe) -> dict[str, str]:
    audit = recipe.audit
    data = {"comment": f"{len(recipe.chosen)} frames, one for each pose; made with capturehook"}
    title = recipe.wishes.title
    if title is None and audit.plan is not None:
        title = Path(audit.plan.job).stem
    if title:
        data["title"] = title
    last_s = float(audit.frames.t_s[-1])
    if np.isfinite(last_s):
        data["date"] = f"{datetime.fromtimestamp(last_s, tz=timezone.utc):%Y-%m-%d}"
    return data


def film_json(film: FilmReport, audit: Audit) -> dict[str, Any]:
    """What was made and of what."""
    kinds = [one.kind for one in film.chosen]
    return {
        "schema": FILM_SCHEMA,
        "film": str(film.path),
        "width_px": film.width_px,
        "height_px": film.height_px,
        "fps": str(film.fps),
        "frames": film.frames,
        "film_s": round(film.seconds, 3),
        "level": film.level,
        "shots": kinds.count("shot"),
        "alignment": {
            "model": film.alignment.model,
            "before_px": [round(one, 3) for one in film.alignment.before_px],
            "after_px": [round(one, 3) for one in film.alignment.after_px],
        }
        if np.isfinite(film.alignment.before_px[0])
        else None,
        "held": kinds.count("held"),
        "blended": kinds.count("blended"),
        "counts": audit.counts,
        "findings": [finding.as_json() for finding in film.findings],
    }


def film_lines(film: FilmReport, audit: Audit) -> list[str]:
    """The film, what went into it, and how it was aligned."""
    counts = ", ".join(f"{count} {name}" for name, count in audit.counts.items())
    size = f"{film.width_px} x {film.height_px} px"
    level = f", H.264 level {film.level}" if film.level else ""
    return [
        f"{film.path}: {film.frames} frames, {film.seconds:.1f} s at {film.fps} frames/s, "
        f"{size}{level}",
        f"from {len(audit.frames)} frames: {counts}",
        f"aligned: {film.alignment.text()}",
    ]
