"""The options of a film, in groups, handed on as one record."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from capturehook.cli.options import FILE, JSON, bundle, option, takes

if TYPE_CHECKING:
    from capturehook.film.assemble import FilmOuts
    from capturehook.film.wishes import FilmWishes

FRAMES = (
    option("--plan plan_path", "The shoot's plan.json.", FILE),
    option("--job", "The posed job, whose plan is found.", FILE),
    option(
        "--static static_px",
        "Part of the picture that never changes, px of the original.",
        float,
        metavar="X Y W H",
    ),
    option(
        "--anchor anchors",
        "A frame's name and the pose it shows.",
        (str, int),
        multiple=True,
        metavar="FRAME POSE",
    ),
    option("--clock", "Times to go by (the best there are).", "camera file order"),
)
TIME = (
    option("--fps", "Frames a second: 25, 30000/1001 (the plan's)."),
    option("--length length_s", "Seconds of the whole film.", float),
    option("--pace", "With --length: one speed, or slow at both ends.", "even eased", "even"),
    option(
        "--bridge",
        "For a pose without a good frame: the one before, both neighbours mixed, motion "
        "computed between them, or nothing.",
        "hold blend motion skip",
        "hold",
    ),
    option("--hold-last hold_last_s", "Seconds the last frame stays.", float),
    option("--card card_s", "Seconds of the title first.", float, 0.0),
    option(
        "--loop",
        "Dissolve the end into the beginning, or play back to it.",
        "dissolve back",
        is_flag=False,
        flag_value="dissolve",
    ),
    option("--fade fade_s", "Seconds of fade to black.", float, 0.0),
)
PICTURE = (
    option("--crop", "Shape of the picture.", "keep 16:9 1:1 9:16", "keep"),
    option("--frame", "All of the picture, or close to the part.", "still part", "still"),
    option("--width width_px", "Of the film, px.", click.IntRange(16)),
    option("--centre centre_px", "Middle of the crop in the original, px.", float, metavar="X Y"),
    option(
        "--align",
        "Undo knocks: what is needed; shifts; turn and scale too; none.",
        "auto shift turn none",
        "auto",
    ),
    option(
        "--even-light",
        "Even out light and colour: flicker, or slow daylight too.",
        "lamps all",
        is_flag=False,
        flag_value="lamps",
    ),
    option(
        "--lens lens_percent",
        "Undo distortion: -2 for a barrel of 2 % in the corner.",
        float,
        0.0,
        metavar="PERCENT",
    ),
    option("--grade", "A colour table, .cube.", FILE),
    option("--progress-text text", "Write layer, height, time into the picture.", metavar="WORDS"),
)
FILE_KIND = (
    option("--codec", "h264 h265 vp9 av1 ffv1; prores dnxhr: masters.", None, "h264"),
    option("--quality", "Fine: to edit further.", "small good fine", "good"),
    option("--title", "Of file and card (the job's name)."),
)
OUT = option("-o --out", "The film: .mp4 .mov .mkv .webm", FILE, required=True)
OUTS = (
    option("--list list_path", "Write the chosen frames as CSV.", FILE),
    option("--edit-list", "Write an edit list (CMX 3600, .edl).", FILE),
    option("--images", "Write all film frames, 16 bits, to a new folder.", FILE),
    option("--image-kind", "Of --images.", "png tiff", "png"),
    option("--preview", "Write a small .gif or .webp.", FILE),
    option("--poster", "Write the finished part as a still: .png .jpg", FILE),
    option("--slit", "Write one column through all frames: .png .jpg", FILE),
    option("--resume", "A stopped run goes on: keep drawn frames till the film is whole.", bool),
)
GROUPS = {
    "Frames": FRAMES,
    "Time": TIME,
    "Picture": PICTURE,
    "File": FILE_KIND,
    "What is written": (OUT, *OUTS),
}


@dataclass(frozen=True, slots=True)
class FramesAs:
    """Which frames belong to which plan."""

    plan_path: Path | None
    job: Path | None
    static_px: tuple[float, float, float, float] | None
    anchors: tuple[tuple[str, int], ...]
    clock: Literal["camera", "file", "order"] | None


def _film_wishes(text: str | None, **wished: Any) -> FilmWishes:
    from capturehook.film.wishes import FilmWishes

    words = tuple(word.strip() for word in text.split(",")) if text else ()
    return FilmWishes(text=words, **wished)


def _film_outs(**outs: Any) -> FilmOuts:
    from capturehook.film.assemble import FilmOuts

    return FilmOuts(**outs)


frames_options = bundle("frames_as", FramesAs, *FRAMES)
"""Give a command the options that say which frames belong to which plan."""


def film_options(command: Callable[..., int]) -> Callable[..., int]:
    """Give a command all options of a film: frames_as, wishes, out, outs, as_json."""
    for give in (
        JSON,
        bundle("outs", _film_outs, *OUTS),
        takes(OUT),
        bundle("wishes", _film_wishes, *TIME, *PICTURE, *FILE_KIND),
        frames_options,
    ):
        command = give(command)
    return command


class GroupedCommand(click.Command):
    """Shows its options under the headings of GROUPS."""

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        rest = {one.name: one for one in self.get_params(ctx) if isinstance(one, click.Option)}
        for heading, group in [*GROUPS.items(), ("Other", ())]:
            shown = [rest.pop(one.name) for one in group] or [*rest.values()]
            with formatter.section(heading):
                formatter.write_dl(list(filter(None, (one.get_help_record(ctx) for one in shown))))
