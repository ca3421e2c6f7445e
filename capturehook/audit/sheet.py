"""The contact sheet: every frame small, its verdict as a shape with a letter. One PNG."""

from __future__ import annotations

import os
import tempfile
from contextlib import ExitStack
from dataclasses import dataclass
from math import ceil, prod, sqrt
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from capturehook.audit import verdicts as v
from capturehook.audit.judge import Audit
from capturehook.audit.report import summary_lines
from capturehook.audit.verdicts import Verdict
from capturehook.errors import FileError
from capturehook.files import Closes, write_stream_atomically
from capturehook.frames.needs import need, pillow

PAPER, INK, FAINT = (255, 255, 255), (34, 34, 34), (96, 96, 96)
GAP_PX = 6
CAPTION_PX = 14
# so many frames at most -> so wide a thumbnail
THUMB_WIDTHS = ((60, 200), (250, 144), (1000, 104), (10**9, 72))
LEAST_COLUMNS = 4
LABEL_PX = 66
MOST_DOUBTS = 8


class Thumbs(Closes):
    """Small pictures of F frames, kept in a scrap file so that memory stays flat."""

    def __init__(self, count: int, size_px: tuple[int, int]) -> None:
        self.width = next(width for most, width in THUMB_WIDTHS if count <= most)
        self.height = max(1, round(self.width * size_px[1] / size_px[0]))
        shape = (count, self.height, self.width, 3)
        self._scrap = _scrap_file(prod(shape))
        self.pixels = np.memmap(self._scrap, np.uint8, "r+", shape=shape)

    def keep(self, frame_index: int, rgb: NDArray[np.uint8]) -> None:
        """The callback for `audit_frames(on_picture=...)`."""
        image = pillow()
        small = image.fromarray(rgb).resize((self.width, self.height), image.Resampling.BOX)
        self.pixels[frame_index] = np.asarray(small)

    def close(self) -> None:
        del self.pixels
        self._scrap.close()


def _scrap_file(size_bytes: int) -> IO[bytes]:
    """An unnamed file with all its room taken beforehand: a disk that fills up under a memory
    map would end the program (SIGBUS)."""
    try:
        with ExitStack() as undo:
            scrap = undo.enter_context(tempfile.TemporaryFile())
            if hasattr(os, "posix_fallocate"):
                os.posix_fallocate(scrap.fileno(), 0, size_bytes)
            else:
                scrap.truncate(size_bytes)
            undo.pop_all()
    except OSError as fault:
        raise FileError(
            tempfile.gettempdir(),
            f"a scrap file of {size_bytes / 1e6:.1f} MB could not be written "
            f"({fault.strerror or fault})",
            "Free some space there, or name another folder in TMPDIR",
        ) from fault
    return scrap


@dataclass(frozen=True, slots=True)
class Cell:
    """One place on the sheet: a frame, or a pose without one."""

    frame_index: int | None
    verdict: Verdict
    caption: str


def save_sheet(audit: Audit, thumbs: Thumbs, path: Path) -> None:
    """Draw the sheet and put it at ``path`` (PNG), whole or not at all.

    Raises
    ------
    FileError
        It cannot be written.
    """
    picture = draw_sheet(audit, thumbs)

    def produce(out: IO[bytes]) -> None:
        picture.save(out, format="PNG", optimize=True)

    write_stream_atomically(path, produce)


def draw_sheet(audit: Audit, thumbs: Thumbs) -> Any:
    """The sheet as a `PIL.Image.Image`."""
    cells = sheet_cells(audit)
    cell_w, cell_h = thumbs.width + GAP_PX, thumbs.height + CAPTION_PX + GAP_PX
    columns = max(LEAST_COLUMNS, min(len(cells), round(sqrt(len(cells) * 1.4 * cell_h / cell_w))))
    head = [*summary_lines(audit), *_doubts(audit)]
    used = [verdict for verdict in v.VERDICTS.values() if any(c.verdict is verdict for c in cells)]
    width = max(columns * cell_w + GAP_PX, 720)
    head_px = GAP_PX + 17 * len(head) + _legend_rows(used, width) * 24 + 12
    height = head_px + ceil(len(cells) / columns) * cell_h + GAP_PX
    picture = pillow().new("RGB", (width, height), PAPER)
    pen = _Pen(picture)
    for row, line in enumerate(head):
        _draw_line(pen, line, GAP_PX + 17 * row, width)
    _draw_legend(pen, used, width, GAP_PX + 17 * len(head) + 8)
    for place, cell in enumerate(cells):
        row, column = divmod(place, columns)
        _draw_cell(pen, thumbs, cell, (GAP_PX + column * cell_w, head_px + row * cell_h))
    return picture


def _doubts(audit: Audit) -> list[str]:
    """The findings that no cell of the sheet shows."""
    shown = {name.replace(" ", "-") for name in v.VERDICTS}
    said = [finding for finding in audit.findings if finding.code not in shown]
    lines = [
        f"{'warnings' if not k else '':8}  {one.where}: {one.text}" for k, one in enumerate(said)
    ]
    if len(lines) > MOST_DOUBTS:
        rest = f"{'':8}  and {len(lines) - MOST_DOUBTS + 1} more"
        lines = [*lines[: MOST_DOUBTS - 1], rest]
    return lines


def _draw_line(pen: _Pen, line: str, y: int, width: int) -> None:
    """A line of the summary; its first word in a column of its own."""
    label, gap, words = line.partition("  ")
    if not gap:
        pen.text((GAP_PX + 2, y), line, 13)
        return
    pen.text((GAP_PX + 2, y), label, 13, FAINT)
    left = GAP_PX + 2 + LABEL_PX
    pen.text((left, y), pen.cut(words.strip(), 13, width - left - GAP_PX), 13)


def sheet_cells(audit: Audit) -> list[Cell]:
    """Frames in order of capture, missing poses where they belong; no frames between poses."""
    cells = []
    gone = [index for index, one in enumerate(audit.by_pose) if one.verdict is v.MISSING]
    for one in audit.by_frame:
        if one.verdict is v.BETWEEN:
            continue
        while one.pose_index is not None and gone and gone[0] < one.pose_index:
            cells.append(_missing_cell(audit, gone.pop(0)))
        cells.append(Cell(one.frame_index, one.verdict, _caption(audit, one.pose_index, one.name)))
    return cells + [_missing_cell(audit, index) for index in gone]


def _missing_cell(audit: Audit, pose_index: int) -> Cell:
    return Cell(None, v.MISSING, f"pose {audit.by_pose[pose_index].pose.pose}")


def _caption(audit: Audit, pose_index: int | None, name: str) -> str:
    stem = Path(name).stem
    if pose_index is None:
        return stem
    return f"pose {audit.by_pose[pose_index].pose.pose}  {stem}"


def _legend_rows(used: list[Verdict], width: int) -> int:
    return ceil(len(used) * 122 / width)


def _draw_legend(pen: _Pen, used: list[Verdict], width: int, top: int) -> None:
    per_row = max(1, width // 122)
    for place, verdict in enumerate(used):
        row, column = divmod(place, per_row)
        x, y = GAP_PX + 12 + column * 122, top + row * 24 + 10
        pen.badge((x, y), 9, verdict)
        pen.text((x + 15, y - 8), verdict.name, 12)


def _draw_cell(pen: _Pen, thumbs: Thumbs, cell: Cell, corner: tuple[int, int]) -> None:
    x, y = corner
    box = (x, y, x + thumbs.width - 1, y + thumbs.height - 1)
    if cell.frame_index is None or cell.verdict is v.UNREADABLE:
        pen.hatched(box)
    else:
        pen.picture.paste(pillow().fromarray(thumbs.pixels[cell.frame_index]), corner)
    radius = 7 if thumbs.width < 100 else 10
    if cell.verdict is not v.GOOD:
        pen.frame(box, cell.verdict.colour)
        pen.badge((x + radius + 3, y + radius + 3), radius, cell.verdict)
    else:
        pen.badge((x + 7, y + 7), 4, cell.verdict, letter=False)
    pen.fitted((x, y + thumbs.height), cell.caption, 11, thumbs.width)


class _Pen:
    """Drawing on one picture."""

    def __init__(self, picture: Any) -> None:
        self.picture = picture
        self._draw = need("PIL.ImageDraw", "drawing a contact sheet").Draw(picture)
        self._fonts: dict[int, Any] = {}

    def font(self, size: int) -> Any:
        if size not in self._fonts:
            self._fonts[size] = need("PIL.ImageFont", "drawing text").load_default(size)
        return self._fonts[size]

    def text(self, place: tuple[float, float], words: str, size: int, colour: object = INK) -> None:
        self._draw.text(place, words, fill=colour, font=self.font(size))

    def fitted(self, place: tuple[int, int], words: str, size: int, width: int) -> None:
        """The words, cut at the front part where they are too long (numbers are at the end)."""
        while words and self._draw.textlength(words, font=self.font(size)) > width:
            words = words[1:]
        self.text(place, words, size, FAINT)

    def cut(self, words: str, size: int, width: int) -> str:
        """The words, their end left away where they are too long."""
        if self._draw.textlength(words, font=self.font(size)) <= width:
            return words
        while words and self._draw.textlength(words + "...", font=self.font(size)) > width:
            words = words[:-1]
        return words.rstrip() + "..."

    def frame(self, box: tuple[int, int, int, int], colour: str) -> None:
        self._draw.rectangle(box, outline=colour, width=3)

    def hatched(self, box: tuple[int, int, int, int]) -> None:
        left, top, right, bottom = box
        self._draw.rectangle(box, fill=(240, 240, 240))
        for start in range(left - (bottom - top), right, 12):
            x0, x1 = max(start, left), min(start + bottom - top, right)
            if x1 > x0:
                ends = [(x0, bottom - (x0 - start)), (x1, bottom - (x1 - start))]
                self._draw.line(ends, fill=(205, 205, 205))

    def badge(
        self, centre: tuple[int, int], radius: int, verdict: Verdict, *, letter: bool = True
    ) -> None:
        """A filled shape with a white rim, and its letter."""
        for grown, colour in ((radius + 2, "#ffffff"), (radius, verdict.colour)):
            self._shape(verdict.shape, centre, grown, colour)
        if letter:
            x, y = centre
            self._draw.text(
                (x, y + LOWER.get(verdict.shape, 0.0) * radius),
                verdict.letter,
                fill=verdict.ink,
                font=self.font(max(9, round(radius * 1.35))),
                anchor="mm",
                stroke_width=0,
            )

    def _shape(self, shape: str, centre: tuple[int, int], radius: int, colour: str) -> None:
        x, y = centre
        if shape in ("dot", "ring"):
            self._draw.ellipse((x - radius, y - radius, x + radius, y + radius), fill=colour)
        else:
            corners = [(x + radius * dx, y + radius * dy) for dx, dy in CORNERS[shape]]
            self._draw.polygon(corners, fill=colour)


LOWER = {"triangle": 0.28}
"""The letter stands so many radii under the middle, where the shape is wide."""
CORNERS: dict[str, tuple[tuple[float, float], ...]] = {
    "square": ((-0.9, -0.9), (0.9, -0.9), (0.9, 0.9), (-0.9, 0.9)),
    "diamond": ((0, -1.25), (1.25, 0), (0, 1.25), (-1.25, 0)),
    "triangle": ((0, -1.35), (1.3, 0.95), (-1.3, 0.95)),
    "octagon": (
        (-0.45, -1.1),
        (0.45, -1.1),
        (1.1, -0.45),
        (1.1, 0.45),
        (0.45, 1.1),
        (-0.45, 1.1),
        (-1.1, 0.45),
        (-1.1, -0.45),
    ),
}
