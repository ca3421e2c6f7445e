"""The options of a film, in groups, handed on as one record."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any

import click

from capturehook.cli.options import JSON

FILE = click.Path(path_type=Path)
RECTANGLE = "X Y W H"

FRAMES = (
    click.option("--plan", "plan_path", type=FILE, help="The plan.json the shoot was made by."),
    click.option("--job", type=FILE, help="The posed job: its own plan is found and held to it."),
    click.option(
        "--static",
        "static_px",
        nargs=4,
        type=float,
        metavar=RECTANGLE,
        help="Part of the picture that never changes, in pixels of the original.",
    ),
    click.option(
        "--anchor",
        "anchors",
        nargs=2,
        type=(str, int),
        multiple=True,
        metavar="FRAME POSE",
        help="A frame's name and the pose it shows, when the times fit in more than one place.",
    ),
    click.option(
        "--clock",
        type=click.Choice(["camera", "file", "order"]),
        help="Times to go by; the best there are unless given.",
    ),
)
TIME = (
    click.option("--fps", help="Frames per second: 25, 30000/1001. From the plan unless given."),
    click.option("--length", "length_s", type=float, help="Seconds of the whole film."),
    click.option(
        "--pace",
        type=click.Choice(["even", "eased"]),
        default="even",
        show_default=True,
        help="With --length: one speed, or a slow beginning and end.",
    ),
    click.option(
        "--bridge",
        type=click.Choice(["hold", "blend", "motion", "skip"]),
        default="hold",
        show_default=True,
        help="Poses without a fit frame: hold the one before, blend both neighbours, move along "
        "between them, or skip.",
    ),
    click.option("--hold-last", "hold_last_s", type=float, help="Seconds the last frame stays."),
    click.option("--card", "card_s", type=float, default=0.0, help="Seconds of the title first."),
    click.option(
        "--loop",
        is_flag=False,
        flag_value="dissolve",
        type=click.Choice(["dissolve", "back"]),
        help="Joins end and beginning: dissolve one into the other, or play back to it.",
    ),
    click.option("--fade", "fade_s", type=float, default=0.0, help="Seconds of fade to black."),
)
PICTURE = (
    click.option(
        "--crop",
        type=click.Choice(["keep", "16:9", "1:1", "9:16"]),
        default="keep",
        show_default=True,
        help="Shape of the picture.",
    ),
    click.option(
        "--frame",
        type=click.Choice(["still", "part"]),
        default="still",
        show_default=True,
        help="As much of the picture as there is, or close to the part as it grows.",
    ),
    click.option("--width", "width_px", type=click.IntRange(16), help="Of the film, px."),
    click.option(
        "--centre",
        "centre_px",
        nargs=2,
        type=float,
        metavar="X Y",
        help="Place in the original to have in the middle of the crop, px.",
    ),
    click.option(
        "--align",
        type=click.Choice(["auto", "shift", "turn", "none"]),
        default="auto",
        show_default=True,
        help="Undo movements of the camera: what is there; shifts; turn and scale too; nothing.",
    ),
    click.option(
        "--even-light",
        is_flag=False,
        flag_value="lamps",
        type=click.Choice(["lamps", "all"]),
        help="Even out light and colour from frame to frame (lamps), or slow daylight too (all).",
    ),
    click.option("--grade", type=FILE, help="One tone for all frames: a 3D table, .cube."),
    click.option(
        "--progress-text",
        "text",
        metavar="WORDS",
        help="Write layer, height, time into the picture: layer,height",
    ),
)
FILE_KIND = (
    click.option(
        "--codec",
        default="h264",
        show_default=True,
        help="h264 h265 vp9 av1 ffv1; prores dnxhr: 10-bit masters",
    ),
    click.option(
        "--quality",
        type=click.Choice(["small", "good", "fine"]),
        default="good",
        show_default=True,
        help="Small file, good, or fine enough to edit further.",
    ),
    click.option("--title", help="Title of file and card; the job's name unless given."),
)
OUT = (
    click.option("-o", "--out", required=True, type=FILE, help="The film: .mp4 .mov .mkv .webm"),
    click.option("--list", "list_path", type=FILE, help="Write the chosen frames as CSV too."),
    click.option("--edit-list", type=FILE, help="Write an edit list too (CMX 3600 form, .edl)."),
    click.option("--images", type=FILE, help="Write every film frame, 16 bits, to a new folder."),
    click.option(
        "--image-kind",
        type=click.Choice(["png", "tiff"]),
        default="png",
        show_default=True,
        help="Of --images.",
    ),
    click.option("--preview", type=FILE, help="Write a small .gif or .webp too, at most 5 MB."),
    click.option("--poster", type=FILE, help="Write the finished part as a still: .png .jpg"),
    click.option("--slit", type=FILE, help="Write one column through all frames: .png .jpg"),
    click.option(
        "--resume",
        is_flag=True,
        help="Keep drawn frames beside the film until it is whole; a stopped run goes on.",
    ),
    JSON,
)
GROUPS = {
    "Frames": FRAMES,
    "Time": TIME,
    "Picture": PICTURE,
    "File": FILE_KIND,
    "What is written": OUT,
}
OUTS = ("list_path", "edit_list", "images", "image_kind", "preview", "poster", "slit", "resume")
WISHES = (TIME, PICTURE, FILE_KIND)


def film_options(command: Callable[..., int]) -> Callable[..., int]:
    """Give a command all options of a film; those of WISHES arrive as one ``wishes`` record,
    OUTS as one ``outs``, those of FRAMES as a dict ``frames_as`` for `chosen_audit`."""
    probe = _names(*WISHES)
    of_frames = _names(FRAMES)

    @wraps(command)
    def bundled(**options: Any) -> int:
        from capturehook.film.assemble import FilmOuts
        from capturehook.film.wishes import FilmWishes

        wished = {name: options.pop(name) for name in probe}
        wished["text"] = _words(wished["text"])
        frames_as = {name: options.pop(name) for name in of_frames}
        outs = FilmOuts(**{name: options.pop(name) for name in OUTS})
        wishes = FilmWishes(**wished)
        return command(wishes=wishes, outs=outs, frames_as=frames_as, **options)

    made: Callable[..., int] = bundled
    for option in reversed([one for group in GROUPS.values() for one in group]):
        made = option(made)
    return made


def frames_options(command: Callable[..., int]) -> Callable[..., int]:
    """Give a command the options that say which frames belong to which plan."""
    for option in reversed(FRAMES):
        command = option(command)
    return command


def _names(*groups: tuple[Any, ...]) -> list[str]:
    """What click calls the options of some groups."""
    return [str(one.name) for group in groups for one in _params(group)]


def _params(group: tuple[Any, ...]) -> list[click.Parameter]:
    def nothing() -> None: ...

    for option in reversed(group):
        option(nothing)
    return list(reversed(nothing.__click_params__))  # type: ignore[attr-defined]


def _words(text: str | None) -> tuple[str, ...]:
    return tuple(word.strip() for word in text.split(",")) if text else ()


class GroupedCommand(click.Command):
    """Shows its options under the headings of GROUPS."""

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        named = {heading: set(_names(group)) for heading, group in GROUPS.items()}
        shown = [one for one in self.get_params(ctx) if one.get_help_record(ctx)]
        for heading, names in named.items():
            rows = [one.get_help_record(ctx) for one in shown if one.name in names]
            with formatter.section(heading):
                formatter.write_dl([row for row in rows if row])
        known = set().union(*named.values())
        rest = [one.get_help_record(ctx) for one in shown if one.name not in known]
        with formatter.section("Other"):
            formatter.write_dl([row for row in rest if row])
