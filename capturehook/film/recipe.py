"""Everything that is decided about a film before a single picture of it is drawn."""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction

from capturehook.audit.judge import Audit
from capturehook.errors import Finding
from capturehook.film.align import Alignment, align_frames
from capturehook.film.choose import Chosen, Correction, choose_frames, list_csv
from capturehook.film.codecs import parse_fps
from capturehook.film.framing import Framing, frame_film
from capturehook.film.pace import Paced, frames_in, pace_frames
from capturehook.film.wishes import DEFAULT_FPS, FilmWishes, check_wishes, hold_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """All decisions; ``paced`` is None where no length was asked for."""

    audit: Audit
    wishes: FilmWishes
    chosen: tuple[Chosen, ...]
    corrections: dict[int, Correction]
    alignment: Alignment
    framing: Framing
    fps: Fraction
    paced: Paced | None
    findings: tuple[Finding, ...]

    @property
    def film_frames(self) -> int:
        return sum(one.shown for one in self.chosen)


def plan_film(audit: Audit, wishes: FilmWishes) -> Recipe:
    """Everything that is decided from the first pass.

    Raises
    ------
    FrameError
        No frame is fit, or a wish cannot be met.
    """
    check_wishes(audit, wishes)
    if not audit.measures.area.sure:
        wishes = replace(wishes, align="none")
    fps = parse_fps(wishes.fps or (audit.plan.fps if audit.plan is not None else DEFAULT_FPS))
    every, findings = choose_frames(audit, wishes.bridge, aligned=wishes.align != "none")
    chosen, paced = _timed(audit, wishes, every, fps)
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
        paced=paced,
        findings=(*findings, *crop_findings, *audit.measures.area.findings()),
    )


def _timed(
    audit: Audit, wishes: FilmWishes, chosen: list[Chosen], fps: Fraction
) -> tuple[list[Chosen], Paced | None]:
    """The last frame stays for the hold; a length, if asked for, holds for all together."""
    held = round(hold_s(audit, wishes) * fps)
    paced = None
    if wishes.length_s is not None or wishes.pace != "even":
        moving = len(chosen)
        if wishes.length_s is not None:
            moving = frames_in(wishes.length_s, fps) - held
        chosen, paced = pace_frames(chosen, moving, wishes.pace)
    return [*chosen[:-1], replace(chosen[-1], shown=chosen[-1].shown + held)], paced


def film_list(recipe: Recipe) -> str:
    """The chosen frames as CSV text, for another editor."""
    return list_csv(recipe.audit, list(recipe.chosen), recipe.corrections, recipe.fps)
