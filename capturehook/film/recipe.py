"""Everything that is decided about a film before a single picture of it is drawn."""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

from capturehook.audit.judge import Audit
from capturehook.errors import Finding
from capturehook.film.align import Alignment, align_frames
from capturehook.film.choose import Chosen, Correction, choose_frames, list_csv
from capturehook.film.codecs import CODECS
from capturehook.film.framing import Framing, frame_film
from capturehook.film.grade import Cube, load_cube
from capturehook.film.pace import Paced, frames_in, pace_frames
from capturehook.film.part import part_box
from capturehook.film.wishes import FilmWishes, check_wishes, film_fps, hold_s

DISSOLVE_S = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """All decisions; ``paced`` is None where no length was asked for. ``deep``: pictures are
    drawn in 16 bits."""

    audit: Audit
    wishes: FilmWishes
    chosen: tuple[Chosen, ...]
    corrections: dict[int, Correction]
    alignment: Alignment
    framing: Framing
    fps: Fraction
    paced: Paced | None
    card_frames: int
    deep: bool
    grade: Cube | None
    findings: tuple[Finding, ...]

    @property
    def film_frames(self) -> int:
        return self.card_frames + sum(one.shown for one in self.chosen)

    @property
    def title(self) -> str:
        """As asked for, or the job's name, or nothing."""
        if self.wishes.title is not None or self.audit.plan is None:
            return self.wishes.title or ""
        return Path(self.audit.plan.job).stem


def plan_film(audit: Audit, wishes: FilmWishes, *, deep: bool = False) -> Recipe:
    """Everything that is decided from the first pass.

    Parameters
    ----------
    deep : draw in 16 bits, whatever the codec takes

    Raises
    ------
    FrameError
        No frame is fit, or a wish cannot be met.
    """
    check_wishes(audit.frames, audit.plan, wishes)
    if not audit.measures.area.sure:
        wishes = replace(wishes, align="none")
    fps = film_fps(audit.plan, wishes)
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
        part_px=part_box(audit.measures, [one.frame_index for one in every if one.kind == "shot"]),
        on=wishes.frame,
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
        card_frames=_card_frames(wishes, fps),
        deep=deep or (wishes.codec in CODECS and CODECS[wishes.codec].deep),
        grade=load_cube(wishes.grade) if wishes.grade is not None else None,
        findings=(
            *(one for one in audit.findings if one.code in ("other-plan", "sizes-differ")),
            *findings,
            *crop_findings,
            *audit.measures.area.findings(),
        ),
    )


def _card_frames(wishes: FilmWishes, fps: Fraction) -> int:
    return round(Fraction(wishes.card_s).limit_denominator(1000) * fps)


def _timed(
    audit: Audit, wishes: FilmWishes, chosen: list[Chosen], fps: Fraction
) -> tuple[list[Chosen], Paced | None]:
    """The last frame stays for the hold; a length, if asked for, holds for all together."""
    held = round(hold_s(audit, wishes) * fps)
    dissolving = round(DISSOLVE_S * fps) if wishes.loop == "dissolve" else 0
    paced = None
    if wishes.length_s is not None or wishes.pace != "even":
        moving = len(chosen)
        if wishes.length_s is not None:
            moving = frames_in(wishes.length_s, fps) - held - _card_frames(wishes, fps) - dissolving
            if wishes.loop == "back":
                moving = moving // 2 + 1
        chosen, paced = pace_frames(chosen, moving, wishes.pace)
    inner = chosen[-2:0:-1] if wishes.loop == "back" else []
    ends = [replace(chosen[-1], shown=chosen[-1].shown + held)]
    return [*chosen[:-1], *ends, *inner, *_dissolved(chosen, dissolving)], paced


def _dissolved(chosen: list[Chosen], count: int) -> list[Chosen]:
    """From the last frame into the first, both of which are there already."""
    first, last = chosen[0], chosen[-1]
    return [
        Chosen(
            kind="loop",
            frame_index=last.frame_index,
            pose_index=last.pose_index,
            other_index=first.frame_index,
            share=(k + 1) / (count + 1),
        )
        for k in range(count)
    ]


def film_list(recipe: Recipe) -> str:
    """The chosen frames as CSV text, for another editor."""
    return list_csv(
        recipe.audit, list(recipe.chosen), recipe.corrections, recipe.fps, recipe.card_frames
    )
