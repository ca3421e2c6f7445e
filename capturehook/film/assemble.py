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
from capturehook.errors import Finding, counted
from capturehook.files import write_atomically
from capturehook.film.align import Alignment
from capturehook.film.choose import Chosen
from capturehook.film.encode import open_film
from capturehook.film.export import (
    Images,
    Poster,
    Preview,
    check_still,
    edit_list,
    poster_place,
    save_still,
)
from capturehook.film.pace import Paced
from capturehook.film.recipe import Recipe, film_list, plan_film
from capturehook.film.reel import film_pictures
from capturehook.film.render import to_8bit
from capturehook.film.shelf import Shelf
from capturehook.film.slit import slit_picture
from capturehook.film.wishes import FilmWishes
from capturehook.frames.listing import refuse_over_frames

FILM_SCHEMA = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmReport:
    """What was written; ``level`` is the H.264 level or None, ``reused`` frames were drawn by a
    run that was stopped."""

    path: Path
    width_px: int
    height_px: int
    fps: Fraction
    frames: int
    chosen: tuple[Chosen, ...]
    level: str | None
    reused: int
    paced: Paced | None
    alignment: Alignment
    findings: tuple[Finding, ...]

    @property
    def seconds(self) -> float:
        return float(self.frames / self.fps)


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmOuts:
    """What is written beside the film; None is not written.

    ``list_path`` CSV, ``edit_list`` .edl, ``images`` a new folder of 16-bit pictures of
    ``image_kind``, ``preview`` .gif or .webp, ``poster`` a still, ``slit`` one column through
    all frames.
    """

    list_path: Path | None = None
    edit_list: Path | None = None
    images: Path | None = None
    image_kind: str = "png"
    preview: Path | None = None
    poster: Path | None = None
    slit: Path | None = None
    resume: bool = False
    """Keep drawn frames beside the film until it is whole, and go on from those that are there."""

    def files(self) -> list[Path]:
        every = (self.list_path, self.edit_list, self.preview, self.poster, self.slit)
        return [one for one in every if one is not None]


def assemble_film(
    audit: Audit,
    path: Path,
    wishes: FilmWishes | None = None,
    *,
    outs: FilmOuts | None = None,
    progress: Callable[[int], None] | None = None,
) -> FilmReport:
    """Write the film of an audited shoot.

    Parameters
    ----------
    audit : from `audit_frames`: the first pass
    path : the film; its ending chooses the container
    outs : what is written beside it
    progress : called with the count of film pictures rendered

    Raises
    ------
    FrameError
        No frame is fit, a wish cannot be met, or no encoder.
    FileError
        The film cannot be written; what stood there is unchanged.
    """
    outs = outs or FilmOuts()
    recipe = plan_film(audit, wishes or FilmWishes(), deep=outs.images is not None)
    for out in (path, *outs.files()):
        refuse_over_frames(audit.frames, out)
    sinks = _sinks(recipe, outs, path)
    shelf = Shelf(path) if outs.resume else None
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
        for rgb in film_pictures(recipe, progress, shelf):
            film.add(rgb if film.deep else to_8bit(rgb))
            for sink in sinks:
                sink.add(rgb)
    _write_beside(recipe, outs, sinks)
    if shelf is not None:
        shelf.clear()
    return FilmReport(
        path=path,
        width_px=framing.width_px,
        height_px=framing.height_px,
        fps=recipe.fps,
        frames=film.frames,
        chosen=recipe.chosen,
        level=film.level,
        reused=shelf.reused if shelf is not None else 0,
        paced=recipe.paced,
        alignment=recipe.alignment,
        findings=recipe.findings,
    )


def _sinks(recipe: Recipe, outs: FilmOuts, path: Path) -> list[Images | Preview | Poster]:
    sinks: list[Images | Preview | Poster] = []
    if outs.preview is not None:
        sinks.append(Preview(outs.preview, recipe.film_frames, recipe.fps))
    if outs.poster is not None:
        sinks.append(Poster(outs.poster, poster_place(recipe)))
    if outs.slit is not None:
        check_still(outs.slit)
    if outs.images is not None:
        sinks.append(Images(outs.images, outs.image_kind, path.stem))
    return sinks


def _write_beside(recipe: Recipe, outs: FilmOuts, sinks: list[Images | Preview | Poster]) -> None:
    for sink in sinks:
        sink.save()
    if outs.list_path is not None:
        write_atomically(outs.list_path, film_list(recipe).encode())
    if outs.edit_list is not None:
        write_atomically(outs.edit_list, edit_list(recipe).encode())
    if outs.slit is not None:
        save_still(outs.slit, slit_picture(recipe))


def _metadata(recipe: Recipe) -> dict[str, str]:
    audit = recipe.audit
    made = counted(len(recipe.chosen), "frame")
    data = {"comment": f"{made}, one for each pose; made with capturehook"}
    if recipe.title:
        data["title"] = recipe.title
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
        "reused": film.reused,
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
    kept = counted(film.reused, "drawn frame")
    paced = [f"pace: {film.paced.text()}"] if film.paced is not None else []
    return [
        f"{film.path}: {counted(film.frames, 'frame')}, {film.seconds:.1f} s "
        f"at {film.fps} frames/s, {size}{level}",
        f"from {counted(len(audit.frames), 'frame')}: {counts}",
        *paced,
        *([f"{kept} kept from a run that was stopped"] if film.reused else []),
        f"aligned: {film.alignment.text()}",
    ]
