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
    click.Option(["--plan", "plan_path"], type=FILE, help="The shoot's plan.json."),
    click.Option(["--job"], type=FILE, help="The posed job, whose plan is found."),
    click.Option(
        ["--static", "static_px"],
        nargs=4,
        type=float,
        metavar=RECTANGLE,
        help="Part of the picture that never changes, px of the original.",
    ),
    click.Option(
        ["--anchor", "anchors"],
        nargs=2,
        type=(str, int),
        multiple=True,
        metavar="FRAME POSE",
        help="A frame's name and the pose it shows.",
    ),
    click.Option(
        ["--clock"],
        type=click.Choice(["camera", "file", "order"]),
        help="Times to go by (the best there are).",
    ),
)
TIME = (
    click.Option(["--fps"], help="Frames a second: 25, 30000/1001 (the plan's)."),
    click.Option(["--length", "length_s"], type=float, help="Seconds of the whole film."),
    click.Option(
        ["--pace"],
        type=click.Choice(["even", "eased"]),
        default="even",
        show_default=True,
        help="With --length: one speed, or slow at both ends.",
    ),
    click.Option(
        ["--bridge"],
        type=click.Choice(["hold", "blend", "motion", "skip"]),
        default="hold",
        show_default=True,
        help="For a pose without a good frame: the one before, both neighbours mixed, motion "
        "computed between them, or nothing.",
    ),
    click.Option(["--hold-last", "hold_last_s"], type=float, help="Seconds the last frame stays."),
    click.Option(["--card", "card_s"], type=float, default=0.0, help="Seconds of the title first."),
    click.Option(
        ["--loop"],
        is_flag=False,
        flag_value="dissolve",
        type=click.Choice(["dissolve", "back"]),
        help="Dissolve the end into the beginning, or play back to it.",
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
        help="All of the picture, or close to the part.",
    ),
    click.Option(["--width", "width_px"], type=click.IntRange(16), help="Of the film, px."),
    click.Option(
        ["--centre", "centre_px"],
        nargs=2,
        type=float,
        metavar="X Y",
        help="Middle of the crop in the original, px.",
    ),
    click.Option(
        ["--align"],
        type=click.Choice(["auto", "shift", "turn", "none"]),
        default="auto",
        show_default=True,
        help="Undo knocks: what is needed; shifts; turn and scale too; none.",
    ),
    click.Option(
        ["--even-light"],
        is_flag=False,
        flag_value="lamps",
        type=click.Choice(["lamps", "all"]),
        help="Even out light and colour: flicker, or slow daylight too.",
    ),
    click.Option(
        ["--lens", "lens_percent"],
        type=float,
        default=0.0,
        metavar="PERCENT",
        help="Undo distortion: -2 for a barrel of 2 % in the corner.",
    ),
    click.Option(["--grade"], type=FILE, help="A colour table, .cube."),
    click.Option(
        ["--progress-text", "text"],
        metavar="WORDS",
        help="Write layer, height, time into the picture.",
    ),
)
FILE_KIND = (
    click.Option(
        ["--codec"],
        default="h264",
        show_default=True,
        help="h264 h265 vp9 av1 ffv1; prores dnxhr: masters.",
    ),
    click.Option(
        ["--quality"],
        type=click.Choice(["small", "good", "fine"]),
        default="good",
        show_default=True,
        help="Fine: to edit further.",
    ),
    click.Option(["--title"], help="Of file and card (the job's name)."),
)
OUT = click.Option(["-o", "--out"], required=True, type=FILE, help="The film: .mp4 .mov .mkv .webm")
OUTS = (
    click.Option(["--list", "list_path"], type=FILE, help="Write the chosen frames as CSV."),
    click.Option(["--edit-list"], type=FILE, help="Write an edit list (CMX 3600, .edl)."),
    click.Option(["--images"], type=FILE, help="Write all film frames, 16 bits, to a new folder."),
    click.Option(
        ["--image-kind"],
        type=click.Choice(["png", "tiff"]),
        default="png",
        show_default=True,
        help="Of --images.",
    ),
    click.Option(["--preview"], type=FILE, help="Write a small .gif or .webp."),
    click.Option(["--poster"], type=FILE, help="Write the finished part as a still: .png .jpg"),
    click.Option(["--slit"], type=FILE, help="Write one column through all frames: .png .jpg"),
    click.Option(
        ["--resume"],
        is_flag=True,
        help="A stopped run goes on: keep drawn frames till the film is whole.",
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
