"""The shoot page after the print: verdicts, what happened when, every frame small, the film."""

from __future__ import annotations

import os
from pathlib import Path

from capturehook.audit import verdicts as v
from capturehook.audit.judge import Audit
from capturehook.audit.report import summary_lines
from capturehook.audit.sheet import CORNERS, LOWER, Cell, Thumbs, sheet_cells
from capturehook.audit.timeline import timeline_sheet
from capturehook.audit.verdicts import VERDICTS, Verdict
from capturehook.draw.html import (
    Html,
    data_uri,
    document,
    facts,
    html_path,
    inside,
    save_page,
    section,
    table,
    tag,
)
from capturehook.page.cures import warnings_list
from capturehook.page.parts import wide
from capturehook.page.stills import picture_uri

MOST_BYTES = 1_700_000
"""Of all small pictures before base64."""
LEAST_BYTES = 2_500
"""Of one picture: where there are too many, good ones are left out evenly."""
MOST_FILM_BYTES = 1_000_000
"""A larger film is linked to instead of taken in."""
FILMS = {".mp4": "video/mp4", ".mov": "video/mp4", ".webm": "video/webm"}


def save_audit_page(audit: Audit, thumbs: Thumbs, path: Path, film: Path | None = None) -> None:
    """Write the page, whole or not at all.

    Raises
    ------
    PlanError
        The path does not end in .html or .htm.
    FileError
        It cannot be written.
    """
    save_page(path, audit_page(audit, thumbs, _film(film, html_path(path))))


def audit_page(audit: Audit, thumbs: Thumbs, film: Html | None = None) -> str:
    """The whole page as HTML; ``film`` is a part made by :func:`save_audit_page`."""
    plan = audit.plan
    name = Path(plan.job).name if plan is not None else "Frames without a plan"
    lines = summary_lines(audit)
    rows = [(key.strip().capitalize(), text.strip()) for key, _, text in
            (line.partition("  ") for line in lines[1:])]  # fmt: skip
    return document(
        f"Shoot report: {name}",
        name,
        "Shoot report",
        lines[0] + ".",
        [
            tag("div", _counts(audit), class_="full"),
            section("warnings", "Warnings", warnings_list(audit.findings), class_="full"),
            *([film] if film is not None else []),
            section("what", "What there is", facts(rows), class_="full"),
            _timeline(audit),
            _odd(audit),
            _contact(audit, thumbs),
        ],
        _foot(),
    )


def _counts(audit: Audit) -> Html:
    of = len(audit.by_pose) if audit.plan is not None else len(audit.frames)
    cells = [("Fit for the film", inside((str(audit.filmable), tag("small", f"of {of}"))))]
    for name, count in audit.counts.items():
        verdict = VERDICTS[name]
        said = inside((badge(verdict), str(count), tag("small", verdict.meaning)))
        cells.append((name.capitalize(), said))
    return facts(cells, "figures")


def badge(verdict: Verdict) -> Html:
    """Its shape with its letter; the name stands beside it."""
    if verdict.shape in ("dot", "ring"):
        shape = f'<circle cx="12" cy="12" r="10" fill="{verdict.colour}"/>'
    else:
        corners = " ".join(f"{12 + 8 * x:.1f},{12 + 8 * y:.1f}" for x, y in CORNERS[verdict.shape])
        shape = f'<polygon points="{corners}" fill="{verdict.colour}"/>'
    y = 16 + 8 * LOWER.get(verdict.shape, 0.0)
    letter = (
        f'<text x="12" y="{y:.1f}" font-size="12" font-weight="bold" text-anchor="middle" '
        f'fill="{verdict.ink}">{verdict.letter}</text>'
    )
    svg = f'<svg class="badge" viewBox="0 0 24 24" aria-hidden="true">{shape}{letter}</svg>'
    return Html(svg)


def _timeline(audit: Audit) -> Html:
    """In the page's own colours; a phone scrolls it."""
    box = wide("The shoot over time", timeline_sheet(audit))
    return section("timeline", "Over time", box, class_="full")


def _odd(audit: Audit) -> Html:
    """Frames and poses that are not good, as a table."""
    rows = [
        (cell.caption, inside((badge(cell.verdict), cell.verdict.name)), cell.verdict.meaning)
        for cell in sheet_cells(audit)
        if cell.verdict is not v.GOOD
    ]
    if not rows:
        return section("odd", "Verdicts", tag("p", "Every frame is good.", class_="fine"))
    caption = f"{len(rows)} frames and poses that are not good"
    columns = ("Frame", "Verdict", "Means")
    return section("odd", "Verdicts", table(caption, columns, rows, "words"), class_="full")


def _contact(audit: Audit, thumbs: Thumbs) -> Html:
    cells = sheet_cells(audit)
    most = MOST_BYTES // LEAST_BYTES
    every = -(-len(cells) // most)
    shown = [cell for k, cell in enumerate(cells) if k % every == 0 or cell.verdict is not v.GOOD]
    shown = shown[: 2 * most]
    each_bytes = max(LEAST_BYTES // 2, MOST_BYTES // max(1, len(shown)))
    items = [_cell(cell, thumbs, each_bytes) for cell in shown]
    said = f"{len(shown)} of {len(cells)} frames and missing poses, in order of capture."
    grid = tag("ol", items, class_="grid", role="list")
    return section("contact", "Contact sheet", tag("p", said), grid, class_="full")


def _cell(cell: Cell, thumbs: Thumbs, each_bytes: int) -> Html:
    picture: Html | None = None
    if cell.frame_index is not None and cell.verdict is not v.UNREADABLE:
        uri = picture_uri(thumbs.pixels[cell.frame_index], each_bytes, thumbs.width)
        picture = tag("img", src=uri, alt="", width=str(thumbs.width), height=str(thumbs.height))
    words = (badge(cell.verdict), f"{cell.caption}, {cell.verdict.name}")
    kind = "good" if cell.verdict is v.GOOD else "odd"
    return tag("li", tag("figure", picture, tag("figcaption", words)), class_=kind)


def _film(film: Path | None, page: Path) -> Html | None:
    """The film inside the page when it is small, else a link that is right from where the page
    stands."""
    if film is None:
        return None
    from capturehook.errors import FileError

    try:
        data = film.read_bytes() if film.stat().st_size <= MOST_FILM_BYTES else None
        link = Path(os.path.relpath(film.resolve(), page.resolve().parent)).as_posix()
    except (OSError, ValueError) as fault:
        raise FileError(str(film), f"cannot be read ({fault})", "Check the path") from fault
    from urllib.parse import quote

    kind = FILMS.get(film.suffix.lower())
    anchor = tag("a", film.name, href=quote(link))
    if data is None or kind is None:
        return section("film", "The film", tag("p", anchor), class_="full")
    player = tag("video", src=data_uri(kind, data), controls=True, preload="metadata",
                 aria_label="The film of the print", width="960")  # fmt: skip
    return section("film", "The film", player, tag("p", anchor, class_="screen"), class_="full")


def _foot() -> str:
    from capturehook import __version__

    return f"Made by capturehook {__version__} from frames and plan; the frames were only read."
