"""The options of a film, in groups, handed on as one record."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from capturehook.cli.options import JSON, bundle, single

if TYPE_CHECKING:
    from capturehook.film.assemble import FilmOuts
    from capturehook.film.wishes import FilmWishes

FILE = click.Path(path_type=Path)
RECTANGLE = "X Y W H"

FRAMES = (
    click.Option(["--plan", "plan_path"], type=FILE, help="The plan.json the shoot was made by."),
    click.Option(["--job"], type=FILE, help="The posed job: its own plan is found and held to it."),
    click.Option(
        ["--static", "static_px"],
        nargs=4,
        type=float,
        metavar=RECTANGLE,
        help="Part of the picture that never changes, in pixels of the original.",
    ),
    click.Option(
        ["--anchor", "anchors"],
        nargs=2,
        type=(str, int),
        multiple=True,
        metavar="FRAME POSE",
        help="A frame's name and the pose it shows, when the times fit in more than one place.",
    ),
    click.Option(
        ["--clock"],
        type=click.Choice(["camera", "file", "order"]),
        help="Times to go by; the best there are unless given.",
    ),
)
TIME = (
    click.Option(["--fps"], help="Frames per second: 25, 30000/1001. From the plan unless given."),
    click.Option(["--length", "length_s"], type=float, help="Seconds of the whole film."),
    click.Option(
        ["--pace"],
        type=click.Choice(["even", "eased"]),
        default="even",
        show_default=True,
        help="With --length: one speed, or a slow beginning and end.",
    ),
    click.Option(
        ["--bridge"],
        type=click.Choice(["hold", "blend", "motion", "skip"]),
        default="hold",
        show_default=True,
        help="Poses without a fit frame: hold the one before, blend both neighbours, move along "
        "between them, or skip.",
    ),
    click.Option(["--hold-last", "hold_last_s"], type=float, help="Seconds the last frame stays."),
    click.Option(["--card", "card_s"], type=float, default=0.0, help="Seconds of the title first."),
    click.Option(
        ["--loop"],
        is_flag=False,
        flag_value="dissolve",
        type=click.Choice(["dissolve", "back"]),
        help="Joins end and beginning: dissolve one into the other, or play back to it.",
    ),
    click.Option(["--fade", "fade_s"], type=float, default=0.0, help="Seconds of fade to black."),
)
PICTURE = (
    click.Option(
        ["--crop"],
        type=click.Choice(["keep", "16:9", "1:1", "9:16"]),
        default="keep",
        show_default=True,
        help="Shape of the picture.",
    ),
    click.Option(
        ["--frame"],
        type=click.Choice(["still", "part"]),
        default="still",
        show_default=True,
        help="As much of the picture as there is, or close to the part as it grows.",
    ),
    click.Option(["--width", "width_px"], type=click.IntRange(16), help="Of the film, px."),
    click.Option(
        ["--centre", "centre_px"],
        nargs=2,
        type=float,
        metavar="X Y",
        help="Place in the original to have in the middle of the crop, px.",
    ),
    click.Option(
        ["--align"],
        type=click.Choice(["auto", "shift", "turn", "none"]),
        default="auto",
        show_default=True,
        help="Undo movements of the camera: what is there; shifts; turn and scale too; nothing.",
    ),
    click.Option(
        ["--even-light"],
        is_flag=False,
        flag_value="lamps",
        type=click.Choice(["lamps", "all"]),
        help="Even out light and colour from frame to frame (lamps), or slow daylight too (all).",
    ),
    click.Option(
        ["--lens", "lens_percent"],
        type=float,
        default=0.0,
        metavar="PERCENT",
        help="Undo the lens's distortion in the corner: -2 for a barrel of 2 %.",
    ),
    click.Option(["--grade"], type=FILE, help="One tone for all frames: a 3D table, .cube."),
    click.Option(
        ["--progress-text", "text"],
        metavar="WORDS",
        help="Write layer, height, time into the picture: layer,height",
    ),
)
FILE_KIND = (
    click.Option(
        ["--codec"],
        default="h264",
        show_default=True,
        help="h264 h265 vp9 av1 ffv1; prores dnxhr: 10-bit masters",
    ),
    click.Option(
        ["--quality"],
        type=click.Choice(["small", "good", "fine"]),
        default="good",
        show_default=True,
        help="Small file, good, or fine enough to edit further.",
    ),
    click.Option(["--title"], help="Title of file and card; the job's name unless given."),
)
OUT = click.Option(["-o", "--out"], required=True, type=FILE, help="The film: .mp4 .mov .mkv .webm")
OUTS = (
    click.Option(["--list", "list_path"], type=FILE, help="Write the chosen frames as CSV too."),
    click.Option(["--edit-list"], type=FILE, help="Write an edit list too (CMX 3600 form, .edl)."),
    click.Option(["--images"], type=FILE, help="Write every film frame, 16 bits, to a new folder."),
    click.Option(
        ["--image-kind"],
        type=click.Choice(["png", "tiff"]),
        default="png",
        show_default=True,
        help="Of --images.",
    ),
    click.Option(["--preview"], type=FILE, help="Write a small .gif or .webp too, at most 5 MB."),
    click.Option(["--poster"], type=FILE, help="Write the finished part as a still: .png .jpg"),
    click.Option(["--slit"], type=FILE, help="Write one column through all frames: .png .jpg"),
    click.Option(
        ["--resume"],
        is_flag=True,
        help="Keep drawn frames beside the film until it is whole; a stopped run goes on.",
    ),
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
        single(OUT),
        bundle("wishes", _film_wishes, *TIME, *PICTURE, *FILE_KIND),
        frames_options,
    ):
        command = give(command)
    return command


class GroupedCommand(click.Command):
    """Shows its options under the headings of GROUPS."""

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        named = {heading: {one.name for one in group} for heading, group in GROUPS.items()}
        shown = [one for one in self.get_params(ctx) if isinstance(one, click.Option)]
        for heading, names in named.items():
            rows = [one.get_help_record(ctx) for one in shown if one.name in names]
            with formatter.section(heading):
                formatter.write_dl([row for row in rows if row])
        known = set().union(*named.values())
        rest = [one.get_help_record(ctx) for one in shown if one.name not in known]
        with formatter.section("Other"):
            formatter.write_dl([row for row in rest if row])
