"""The film: pass one measures every frame small, pass two renders and encodes, one at a time.

In: frames and, mostly, the plan. Out: a film, and a list of what is in it. The frames are
only read.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import datetime, timezone
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from capturehook.audit.judge import Audit
from capturehook.errors import Finding
from capturehook.files import write_atomically
from capturehook.film.align import Alignment
from capturehook.film.choose import Chosen
from capturehook.film.encode import open_film
from capturehook.film.pace import Paced
from capturehook.film.recipe import Recipe, film_list, plan_film
from capturehook.film.reel import film_pictures
from capturehook.film.wishes import FilmWishes
from capturehook.frames.listing import refuse_over_frames

FILM_SCHEMA = 1


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
    paced: Paced | None
    alignment: Alignment
    findings: tuple[Finding, ...]

    @property
    def seconds(self) -> float:
        return float(self.frames / self.fps)


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
        for rgb in film_pictures(recipe, progress):
            film.add(rgb)
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
        paced=recipe.paced,
        alignment=recipe.alignment,
        findings=recipe.findings,
    )


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
        "moved": kinds.count("moved"),
        "bridged_poses": [
            audit.by_pose[one.pose_index].pose.pose
            for one in film.chosen
            if one.kind != "shot" and one.pose_index is not None
        ],
        "paced": asdict(film.paced) if film.paced is not None else None,
        "counts": audit.counts,
        "findings": [finding.as_json() for finding in film.findings],
    }


def film_lines(film: FilmReport, audit: Audit) -> list[str]:
    """The film, what went into it, and how it was aligned."""
    counts = ", ".join(f"{count} {name}" for name, count in audit.counts.items())
    size = f"{film.width_px} x {film.height_px} px"
    level = f", H.264 level {film.level}" if film.level else ""
    paced = [f"pace: {film.paced.text()}"] if film.paced is not None else []
    return [
        f"{film.path}: {film.frames} frames, {film.seconds:.1f} s at {film.fps} frames/s, "
        f"{size}{level}",
        f"from {len(audit.frames)} frames: {counts}",
        *paced,
        f"aligned: {film.alignment.text()}",
    ]
