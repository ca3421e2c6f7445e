"""Choices side by side: the same job shot at other rhythms."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from capturehook.errors import PlanError, Where
from capturehook.model.profile import Profile
from capturehook.profile.wishes import RHYTHMS, with_rhythm
from capturehook.report.shoot import Shoot

PLACE = Where("--compare")


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """One rhythm and what it comes to; ``trouble`` says why it cannot be had."""

    choice: str
    frames: int = 0
    film_s: float = 0.0
    added_s: float = 0.0
    added_share: float = 0.0
    total_s: float = 0.0
    findings: int = 0
    trouble: str = ""


def read_choices(texts: Sequence[str]) -> list[tuple[str, float]]:
    """("every_layers=1,2", "film_s=10") -> [("every_layers", 1), ("every_layers", 2), ...].

    Raises
    ------
    PlanError
        A key that is no rhythm, or a value that is no number.
    """
    choices = []
    for text in texts:
        key, equals, values = text.partition("=")
        if key not in RHYTHMS or not equals:
            known = ", ".join(RHYTHMS)
            raise PlanError(
                PLACE, f"{text!r} is no choice", f"Write one of {known}, like every_layers=1,2,5"
            )
        for value in values.split(","):
            try:
                choices.append((key, float(value)))
            except ValueError as fault:
                raise PlanError(
                    PLACE, f"{value!r} in {text!r} is no number", "Write it like film_s=10,20"
                ) from fault
    return choices


def compare_choices(
    profile: Profile,
    choices: Sequence[tuple[str, float]],
    plan: Callable[[Profile], Shoot],
) -> list[Choice]:
    """Plan the shoot once for each choice; ``plan`` does it for a profile."""
    return [_planned(profile, key, value, plan) for key, value in choices]


def _planned(profile: Profile, key: str, value: float, plan: Callable[[Profile], Shoot]) -> Choice:
    name = f"{key}={value:g}"
    try:
        capture = with_rhythm(profile.capture, key, value, str(PLACE))
        shoot = plan(profile.model_copy(update={"capture": capture}))
    except PlanError as fault:
        return Choice(choice=name, trouble=f"{fault.found}. {fault.advice}.")
    return Choice(
        choice=name,
        frames=len(shoot.poses),
        film_s=round(float(shoot.film_s), 6),
        added_s=round(shoot.added_s, 3),
        added_share=round(shoot.added_s / shoot.print_s, 5) if shoot.print_s else 0.0,
        total_s=round(shoot.total_s, 3),
        findings=len(shoot.findings),
    )
