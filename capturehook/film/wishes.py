"""What a film should be, and whether that can be."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Literal

from capturehook.audit.judge import Audit
from capturehook.errors import FrameError
from capturehook.film.align import Align
from capturehook.film.choose import Bridge
from capturehook.film.codecs import check_size, codec_for, parse_fps
from capturehook.film.encode import Quality
from capturehook.film.framing import FrameOn, frame_film
from capturehook.film.pace import Pace
from capturehook.frames.light import EvenLight
from capturehook.frames.listing import FrameList, refuse_over_frames
from capturehook.model.plan import PlanRecord

Loop = Literal["dissolve", "back"]
TEXTS = ("layer", "height", "time")
DEFAULT_FPS = "30"
DEFAULT_HOLD_S = 2.0
MOST_LENS_PERCENT = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmWishes:
    """What the film should be; None means: from the plan, or the default.

    ``length_s`` is of the whole film, shown at an even or eased ``pace``; without it each
    frame is shown once. ``bridge`` says what stands in for poses without a fit frame. ``text``
    holds some of TEXTS; ``align`` undoes shifts, shifts with turn and scale, nothing, or as
    much of it as is there (auto). ``even_light`` takes out what changes from frame to frame
    ("lamps") or slow changes of daylight too ("all"). ``frame`` shows as much as there is
    (still) or goes close to the part; ``grade`` is a .cube file; ``card_s`` seconds of the
    title come first; ``lens_percent`` of distortion in the corner is undone (below 0: barrel);
    ``loop`` dissolves the end into the beginning, or plays back to it.
    """

    fps: str | None = None
    length_s: float | None = None
    pace: Pace = "even"
    bridge: Bridge = "hold"
    card_s: float = 0.0
    loop: Loop | None = None
    lens_percent: float = 0.0
    crop: str = "keep"
    frame: FrameOn = "still"
    width_px: int | None = None
    centre_px: tuple[float, float] | None = None
    align: Align = "auto"
    even_light: EvenLight | None = None
    grade: Path | None = None
    hold_last_s: float | None = None
    fade_s: float = 0.0
    text: tuple[str, ...] = ()
    codec: str = "h264"
    quality: Quality = "good"
    title: str | None = None


def check_wishes(
    frames: FrameList, plan: PlanRecord | None, wishes: FilmWishes, path: Path | None = None
) -> None:
    """Refuse what cannot be, before any picture is decoded; ``path`` is where the film will be.

    Raises
    ------
    FrameError
    """
    unknown = [word for word in wishes.text if word not in TEXTS]
    if unknown:
        raise FrameError(
            "--progress-text", f"{unknown[0]!r} is not known", f"Use {', '.join(TEXTS)}"
        )
    if wishes.text and plan is None:
        raise FrameError(
            "--progress-text", "layers and heights are known from the plan only", "Add --plan"
        )
    if wishes.loop is not None and (wishes.fade_s or wishes.card_s):
        raise FrameError(
            "--loop",
            "has no end to fade and no beginning for a card",
            "Leave --fade and --card out",
        )
    seconds = {
        "--hold-last": wishes.hold_last_s,
        "--fade": wishes.fade_s,
        "--card": wishes.card_s,
    }
    for option, value in seconds.items():
        if value is not None and not 0 <= value <= 600:
            raise FrameError(option, f"{value:g} s is outside 0 to 600", "Give seconds")
    if not abs(wishes.lens_percent) <= MOST_LENS_PERCENT:
        raise FrameError(
            "--lens",
            f"{wishes.lens_percent:g} % is outside -{MOST_LENS_PERCENT:g} to {MOST_LENS_PERCENT:g}",
            "Give the distortion in the corner: -2 where a straight edge bends outwards by 2 %",
        )
    fps, size = film_fps(plan, wishes), frames.size_px
    framing, _ = frame_film(size, [], wishes.crop, wishes.width_px, wishes.centre_px)
    if path is not None:
        refuse_over_frames(frames, path)
        kind = codec_for(wishes.codec, path)
        if wishes.frame != "part":  # the part makes that one as small as it is
            check_size(framing.width_px, framing.height_px, fps, kind)


def film_fps(plan: PlanRecord | None, wishes: FilmWishes) -> Fraction:
    return parse_fps(wishes.fps or (plan.fps if plan is not None else DEFAULT_FPS))


def hold_s(audit: Audit, wishes: FilmWishes) -> Fraction:
    """Seconds the last frame stays."""
    seconds = wishes.hold_last_s
    if seconds is None:
        seconds = audit.plan.hold_last_s if audit.plan is not None else DEFAULT_HOLD_S
    return Fraction(seconds).limit_denominator(1000)
