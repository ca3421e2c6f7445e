"""What the pages before a print share: figures, drawings, the film with its slider, times, foot."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import numpy as np

from capturehook.draw.canvas import Sheet
from capturehook.draw.growth import Growth, Place, growth_sheet, minutes
from capturehook.draw.html import Html, facts, inside, section, table, tag
from capturehook.errors import counted
from capturehook.model.numbers import duration
from capturehook.model.plan import PlannedPose, PlanRecord
from capturehook.model.profile import Capture, Profile
from capturehook.page.stills import KEYS, Still
from capturehook.profile.text import full_text
from capturehook.report.supplies import Supply

ROWS = 12
"""Rows of the timetable."""
Figure = tuple[str, str, str]
"""Name, value, and what is said of it."""


def lede(frames: int, film_s: float, total_s: float, added_s: float) -> str:
    """The page in two sentences."""
    if not frames:
        return "No layer gets a frame: there is nothing to film."
    return (
        f"{counted(frames, 'frame')} make {film_s:.1f} s of film. The print takes "
        f"{duration(total_s)}, {duration(added_s) if added_s else 'none'} of it for the frames."
    )


def figures(rows: Sequence[Figure]) -> Html:
    """Large numbers side by side."""
    cells = [(name, inside((value, tag("small", note)))) for name, value, note in rows]
    return tag("div", facts(cells, "figures"), class_="full")


def film_figure(capture: Capture, film_s: float) -> Figure:
    return ("Film", f"{film_s:.2f} s",
            f"at {capture.fps} fps, last frame held {capture.hold_last_s:g} s")  # fmt: skip


def time_figures(plain_s: float, added_s: float, frames: int) -> tuple[Figure, Figure]:
    """The print with its frames, and what they add."""
    if not added_s:
        return ("Print", _short(plain_s), "the job stays as it is"), ("Added", "none", "no poses")
    share = added_s / plain_s if plain_s else 0.0
    each = f"{share:.1%}; {added_s / max(frames, 1):.2f} s a frame"
    return (
        ("Print with frames", _short(plain_s + added_s), f"{_short(plain_s)} without"),
        ("Added", _short(added_s), each),
    )


def _short(seconds: float) -> str:
    """Seconds only where there are no hours."""
    return minutes(seconds) if seconds >= 3600 else duration(seconds)


def supply_figures(supplies: Sequence[Supply], frame_mb: float) -> tuple[Figure, Figure]:
    """Card and battery: needed, and of how much."""
    by_name = {one.name: one for one in supplies}
    card, battery, hours = (by_name[k] for k in ("card", "battery", "battery hours"))
    power = hours if hours.have or not battery.have else battery
    needed = f"{card.need:g} frames, {_of(card)}"
    return (
        ("Card", f"{card.need * frame_mb / 1000:.2f} GB", needed),
        ("Battery", f"{hours.need:.2f} h", _of(power)),
    )


def _of(one: Supply) -> str:
    if one.have is None:
        return "capacity not stated"
    return f"of {one.have:g} {one.unit}" + (f", {one.need / one.have:.0%}" if one.have else "")


def drawings(*drawn: Html) -> Html:
    return section("drawings", "Drawings", tag("div", drawn, class_="two"), class_="full")


def drawing(title: str, sheet: Sheet, lines: Sequence[str], more: Html = Html("")) -> Html:  # noqa: B008
    """A sheet in the page's own colours, with words below; ``more`` goes into its SVG."""
    svg = Html(sheet.as_themed_svg().replace("</svg>", f"{more}</svg>"))
    caption = tag("figcaption", " ".join(lines))
    return tag("figure", tag("h3", title), svg, caption, class_="drawing")


def wide(label: str, sheet: Sheet) -> Html:
    """A sheet that a phone scrolls, in the page's own colours."""
    sheet.title = label
    svg = Html(sheet.as_themed_svg())
    return tag("div", svg, class_="wide", tabindex="0", role="group", aria_label=label)


def growth_drawing(growth: Growth) -> tuple[Html, Place]:
    """The curve, with the line that the slider moves: from the scale of heights to that of
    times; and where a frame is on it."""
    sheet, lines, place = growth_sheet(growth)
    mark = tag("path", id="mark", d="M0 0", class_="s-now", data_axes=place(0.0, 0.0))
    return drawing("Height against time, mm", sheet, lines, mark), place


def film(plan: PlanRecord, stills: Sequence[Still], place: Place) -> Html:
    """The stills with a slider that the script shows; without it a row of pictures."""
    if not stills:
        return section(
            "film", "The film, drawn beforehand", tag("p", "Not drawn."), class_="screen full"
        )
    poses = plan.poses
    keys = {stills[round(k)].index for k in np.linspace(0, len(stills) - 1, KEYS)}
    items = []
    for still in stills:
        pose = poses[still.index]
        picture = tag("img", src=still.uri, alt=f"Frame {pose.pose}, drawn", width="640",
                      height="360", decoding="async")  # fmt: skip
        caption = tag("figcaption", f"Layer {pose.layer}, {pose.z_mm:.1f} mm")
        items.append(
            tag("li", tag("figure", picture, caption), data_text=_words(pose, len(poses)),
                data_at=place(pose.t_s, pose.z_mm),
                class_="key" if still.index in keys else None)
        )  # fmt: skip
    last = stills[-1]
    speed_ms = 1000 * len(poses) / len(stills) / float(Fraction(plan.fps))
    slider = tag("input", type="range", min="0", max=str(len(stills) - 1), value="0",
                 aria_label="Frame of the film", id="frame")  # fmt: skip
    controls = tag("div", tag("button", "Play", type="button"), slider, tag("output", for_="frame"),
                   class_="controls", id="controls", hidden=True,
                   data_ms=f"{max(speed_ms, 40):.0f}")  # fmt: skip
    viewer = tag("div",
                 tag("img", src=last.uri, alt=_words(poses[last.index], len(poses)), id="view",
                     width="640", height="360"), controls, class_="film")  # fmt: skip
    strip = tag("ol", items, class_="strip", id="strip", tabindex="0", role="list",
                aria_label="Frames of the film in order")  # fmt: skip
    return section("film", "The film, drawn beforehand", viewer, strip, class_="full")


def _words(pose: PlannedPose, count: int) -> str:
    end = ", finished" if pose.finished else ""
    return (
        f"Frame {pose.pose} of {count}: layer {pose.layer}, {pose.z_mm:.2f} mm{end}, "
        f"due {duration(pose.t_s)} after the start"
    )


def times(poses: Sequence[PlannedPose], said: Sequence[str]) -> Html:
    """Sentences, and a table of some frames over the whole print."""
    rows = sorted({round(one) for one in np.linspace(0, len(poses) - 1, min(ROWS, len(poses)))})
    cells = [
        (f"{poses[k].pose}{' (finished)' if poses[k].finished else ''}", f"{poses[k].layer}",
         f"{poses[k].z_mm:.2f}", duration(poses[k].t_s), f"{poses[k].still_s:.2f}")
        for k in rows
    ]  # fmt: skip
    columns = ("Frame", "Layer", "Height mm", "Due after start", "Stands still s")
    caption = f"{len(cells)} of {len(poses)} frames; the plan file has all"
    shown = table(caption, columns, cells) if cells else None
    return section("times", "When to be there", [tag("p", one) for one in said], shown)


def be_there(poses: Sequence[PlannedPose], *, by_hand: bool = False) -> list[str]:
    """When a person should look in on the print."""
    if not poses:
        return []
    gaps = np.diff([pose.t_s for pose in poses])
    pace = f"every {gaps.mean():.0f} s on average ({gaps.min():.0f} to {gaps.max():.0f} s)"
    if not len(gaps):
        pace = ""
    if by_hand:
        first = f"You fire every frame: the first after {duration(poses[0].t_s)}"
        return [f"{first}, then {pace}." if pace else f"{first}."]
    third = poses[min(2, len(poses) - 1)]
    said = (
        f"Stay until frame {third.pose} is on the card ({duration(third.t_s)}), look in again "
        f"after {duration(poses[len(poses) // 2].t_s)}, and be back for the last frame at "
        f"{duration(poses[-1].t_s)}."
    )
    return [f"{said} Frames come {pace}." if pace else said]


def profile_used(profile: Profile) -> Html:
    """All keys, folded away."""
    inner = tag("details", tag("summary", f"All keys of {profile.name}"),
                tag("pre", full_text(profile), tabindex="0"))  # fmt: skip
    return section("profile", "Profile used", inner, class_="screen full")


def foot(digest: str, startup: str) -> str:
    """What made the page, and what its times rest on."""
    from capturehook import __version__

    plan = f", plan {digest}" if digest else ""
    return (
        f"Made by capturehook {__version__}{plan}. Times are computed; {startup}. "
        "The maker's manual and your local codes come first."
    )
