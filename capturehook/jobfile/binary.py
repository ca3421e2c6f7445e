"""Binary jobs: blocks of metadata and of G-code, edited in their own stored form.

A block that no edit touches keeps its very bytes. The text is the G-code as readers write it,
followed by the metadata as comments, as plain jobs carry them.
"""

from __future__ import annotations

import hashlib
import re
from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from itertools import accumulate

from capturehook.errors import FileError, GcodeError, Where
from capturehook.jobfile.blocks import (
    FILE_META,
    GCODE,
    HEAD,
    NAMES,
    PACKED,
    PRINT_META,
    PRINTER_META,
    SLICER_META,
    ZLIB,
    Block,
    packed,
    read_blocks,
)
from capturehook.jobfile.letters import PackedError
from capturehook.jobfile.metadata import (
    Record,
    as_comments,
    read_record,
    with_longer_times,
    with_record,
)
from capturehook.jobfile.record import AGAIN, Edit, Edits, JobFile, JobText, Written
from capturehook.jobfile.streams import LineEdit, Lines, text_of

ONLY_COMMANDS = re.compile(rb"(\xff\xff[\xf6-\xfb])*")
"""What stands at the seams of blocks that were one (`Lines.split`)."""
LONGEST = 80
"""Letters of a line that the firmware's buffer holds (Buddy firmware
src/common/gcode/gcode_buffer.hpp); longer comments of ours go into the record."""
FEW_BYTES = 65_536
"""A record of this size is not worth telling."""


@dataclass(frozen=True, slots=True)
class _Code:
    """One G-code block of the job before poses: the file's blocks that hold it now."""

    rows: tuple[int, ...]
    ends: tuple[tuple[int, int], ...]
    """For each row after the first, bytes between the two that are not the job's."""


class BinaryJob(JobFile):
    """See the module. Raises FileError where the file is damaged or of no kind that is known."""

    kind = "binary"

    def __init__(self, data: bytes, name: str) -> None:
        self.data, self.name = data, name
        self.blocks, self.checksum = read_blocks(data, name)
        self.first = next(at for at, one in enumerate(self.blocks) if one.kind == GCODE)
        self.encoding = self.blocks[self.first].encoding
        self.record_row, self.record = self._find_record()
        self.code = self._code()
        texts = [self._text(at) for at in range(len(self.code))]
        self.starts = [0, *accumulate(map(len, texts))]
        self.line_starts = [0, *accumulate(text.count(b"\n") for text in texts)]
        self.stored = b"".join(texts)
        self.shown = self._comment_offsets()
        """(offset in the stored text, comment line) of comments kept in the record."""
        ends = list(accumulate(len(line) for _, line in self.shown))
        self.shown_at = [
            at + end - len(line) for (at, line), end in zip(self.shown, ends, strict=True)
        ]
        self.shown_before = [0, *ends]
        self.jobs = (JobText(name, self._whole_text()),)
        self.notes = self._notes()

    def _notes(self) -> tuple[str, ...]:
        if self.blocks[self.first].compression != ZLIB:
            return ()
        return (
            "its G-code is compressed by zlib, which the firmware's reader of binary jobs does "
            "not print (Buddy firmware, gcode_reader_binary.cpp)",
        )

    def _where(self, row: int) -> Where:
        return Where(self.name, key=f"block {row + 1} ({NAMES[self.blocks[row].kind]})")

    def _plain(self, row: int) -> bytes:
        return self.blocks[row].plain(self._where(row))

    def _find_record(self) -> tuple[int | None, Record | None]:
        """Where our record is, or where it could go (None: nowhere), and the record."""
        rows = [
            row
            for kind in (PRINT_META, SLICER_META)
            for row, block in enumerate(self.blocks)
            if block.kind == kind and block.encoding == 0 and block.size
        ]
        for row in rows:
            record = read_record(self._plain(row), self.name)
            if record is not None:
                return row, record
        return (rows[0] if rows else None), None

    def _code(self) -> list[_Code]:
        joined = {at: (end, start) for at, end, start in (self.record or Record()).joined}
        found: list[_Code] = []
        for at, row in enumerate(range(self.first, len(self.blocks))):
            if at in joined and found:
                last = found[-1]
                found[-1] = _Code((*last.rows, row), (*last.ends, joined[at]))
            else:
                found.append(_Code((row,), ()))
        return found

    def _stream(self, at: int) -> bytes:
        code = self.code[at]
        whole = self._plain(code.rows[0])
        for row, (end, start) in zip(code.rows[1:], code.ends, strict=True):
            part = self._plain(row)
            if not ONLY_COMMANDS.fullmatch(whole[len(whole) - end :] + part[:start]):
                raise self._misfit()
            whole = whole[: len(whole) - end] + part[start:]
        return whole

    def _misfit(self) -> FileError:
        return FileError(
            self.name,
            "the record of its pose blocks does not fit: the file was changed since",
            "Take the original, or slice the model again",
        )

    def _text(self, at: int) -> bytes:
        with self._unpacking(at):
            return text_of(self._stream(at), self.encoding)

    @contextmanager
    def _unpacking(self, at: int) -> Iterator[None]:
        try:
            yield
        except PackedError as fault:
            where = self._where(self.code[at].rows[0])
            raise FileError(where, f"cannot be unpacked ({fault})", AGAIN) from fault

    def _comment_offsets(self) -> list[tuple[int, bytes]]:
        comments = self.record.comments if self.record else []
        if not comments:
            return []
        offsets, at, line = [], 0, 0
        for wanted, text in sorted(comments, key=lambda one: one[0]):
            while line < wanted:
                at = self.stored.find(b"\n", at) + 1
                if not at:
                    found = f"the record of its pose blocks names line {wanted + 1}, past the end"
                    raise FileError(self.name, found, "Take the original, or slice the model again")
                line += 1
            offsets.append((at, text.encode("utf-8", "surrogateescape") + b"\n"))
        return offsets

    def _whole_text(self) -> bytes:
        parts, at = [], 0
        for offset, line in self.shown:
            parts += [self.stored[at:offset], line]
            at = offset
        parts.append(self.stored[at:])
        if not self.stored.endswith(b"\n"):
            parts.append(b"\n")
        return b"".join([*parts, *self._metadata_lines()])

    def _metadata_lines(self) -> list[bytes]:
        lines = []
        for kind in (FILE_META, PRINTER_META, PRINT_META, SLICER_META):
            for row, block in enumerate(self.blocks):
                if block.kind != kind or block.encoding:
                    continue
                text = as_comments(self._plain(row))
                if kind == SLICER_META:
                    text = b"; job_config = begin\n" + text + b"; job_config = end\n"
                lines.append(text)
        return lines

    # edits of the text -> edits of blocks

    def _stored_offset(self, offset: int) -> int:
        """Of the stored text, for an offset of the text that is read."""
        hidden = self.shown_before[bisect_left(self.shown_at, offset)]
        return min(offset - hidden, len(self.stored))

    def _line_edits(
        self, edits: Sequence[Edit]
    ) -> tuple[dict[int, list[LineEdit]], list[tuple[int, str]]]:
        """Edits of each G-code block, and the comments that go into the record."""
        by_block: dict[int, list[LineEdit]] = {}
        comments: list[tuple[int, str]] = []
        shift = 0
        for edit in edits:
            start, stop = self._stored_offset(edit.start), self._stored_offset(edit.stop)
            at = min(bisect_right(self.starts, start) - 1, len(self.code) - 1)
            line = self._line_of(at, start)
            new: list[bytes] = []
            for text in edit.new.splitlines(keepends=True):
                text = text if text.endswith(b"\n") else text + b"\n"
                if self._goes_to_record(text):
                    number = self.line_starts[at] + line + shift + len(new)
                    comments.append((number, text[:-1].decode("utf-8", "surrogateescape")))
                else:
                    new.append(text)
            shift += len(new)
            while stop > self.starts[at + 1]:  # over the end of a block: ours, put in by another
                count = self.line_starts[at + 1] - self.line_starts[at] - line
                by_block.setdefault(at, []).append(LineEdit(line, count, tuple(new)))
                at, line, new, shift = at + 1, 0, [], shift - count
            count = self._line_of(at, stop) - line
            by_block.setdefault(at, []).append(LineEdit(line, count, tuple(new)))
            shift -= count
        return by_block, comments

    def _goes_to_record(self, line: bytes) -> bool:
        comment = line.startswith(b";")
        return comment and (self.encoding == PACKED or len(line) > LONGEST + 1)

    def _line_of(self, at: int, offset: int) -> int:
        start = self.starts[at]
        if offset > start and self.stored[offset - 1 : offset] != b"\n":
            raise FileError(
                self._where(self.code[at].rows[0]),
                "does not end with a newline, so no line can be put after it",
                AGAIN,
            )
        return self.stored.count(b"\n", start, offset)

    def posed(self, edits: Edits, added_s: float | None = None) -> Written:
        assert self.record is None, "strip it first"
        by_block, comments = self._line_edits(edits.get(0, ()))
        whole, text = (hashlib.sha256(data).hexdigest() for data in (self.data, self.stored))
        record = Record(whole, text, comments)
        blocks = list(self.blocks[: self.first])
        for at in range(len(self.code)):
            if at not in by_block:
                blocks.append(self.blocks[self.first + at])
                continue
            for number, (end, start, part) in enumerate(
                self._posed_parts(at, by_block[at], record)
            ):
                if number:
                    record.joined.append((len(blocks) - self.first, end, start))
                blocks.append(part)
        if added_s is not None:
            self._lengthen_times(blocks, added_s, record)
        self._put_record(blocks, record)
        kept = sum(len(data) for _, data in record.kept.values())
        notes: tuple[str, ...] = ()
        if kept > FEW_BYTES:
            notes = (
                f"its compressor cannot be matched: {kept} bytes of the original are kept in "
                "the file, so that strip can give it back",
            )
        return Written(self._bytes(blocks), notes)

    def _posed_parts(
        self, at: int, edits: list[LineEdit], record: Record
    ) -> list[tuple[int, int, Block]]:
        """A G-code block with its edits, in as many blocks as its text needs (`Lines.split`)."""
        block = self.blocks[self.first + at]
        with self._unpacking(at):
            old = Lines(self._stream(at), self.encoding)
            new = Lines(old.edited(edits, taking_out=False), self.encoding)
            self._check_lines(at, old, new, edits)
            parts = new.split()
            back = new.edited(old.inverse(edits), taking_out=True)
        if back != old.stream or packed(old.stream, block.compression) != block.stored:
            record.kept[self.first + at] = (block.size, block.stored)
        ends = [0, *(end for _, end, _ in parts[:-1])]
        return [
            (end, start, block.holding(part))
            for (part, _, start), end in zip(parts, ends, strict=True)
        ]

    def _check_lines(self, at: int, old: Lines, new: Lines, edits: list[LineEdit]) -> None:
        """Every line of ours must be read back as it was written.

        Raises
        ------
        GcodeError
            The packed letters cannot hold a line: they drop spaces and comments behind words.
        """
        shift = 0
        for edit in edits:
            read = new.text(edit.line + shift, len(edit.lines))
            for wanted, found in zip(edit.lines, read, strict=True):
                if wanted != found:
                    raise GcodeError(
                        Where(self.name, line_no=self.line_starts[at] + edit.line + 1),
                        f"the line {wanted.decode('utf-8', 'replace').strip()!r} would be read as "
                        f"{found.decode('utf-8', 'replace').strip()!r} in this packed job",
                        "Put it in other words, or have the host save the job as text",
                    )
            shift += len(edit.lines) - edit.count
        if len(new) != len(old) + shift:
            raise PackedError("lines put in are not read as they were written")

    def _lengthen_times(self, blocks: list[Block], added_s: float, record: Record) -> None:
        for row, block in enumerate(blocks):
            if block.kind not in (PRINTER_META, PRINT_META) or block.encoding:
                continue
            old = self._plain(row)
            new = with_longer_times(old, added_s)
            if new != old:
                record.kept[row] = (block.size, block.stored)
                blocks[row] = block.holding(new)

    def _put_record(self, blocks: list[Block], record: Record) -> None:
        row = self.record_row
        if row is None:
            if record.comments or record.joined or record.kept:
                raise FileError(
                    self.name,
                    "has no metadata of a known kind, where the record of the poses could go",
                    "Have the host save the job as text",
                )
            return
        plain = self._plain(row)
        again = with_record(with_record(plain, record), None)
        if row not in record.kept and self.blocks[row].holding(again) != self.blocks[row]:
            record.kept[row] = (self.blocks[row].size, self.blocks[row].stored)
        held = blocks[row].plain(self._where(row))
        blocks[row] = blocks[row].holding(with_record(held, record))

    def stripped(self, edits: Edits) -> Written:
        by_block, _ = self._line_edits(edits.get(0, ()))
        if self.record is None and not by_block:
            return Written(self.data)
        record = self.record or Record()
        head = enumerate(self.blocks[: self.first])
        blocks = [self._old_metadata(row, block, record) for row, block in head]
        for at, code in enumerate(self.code):
            block = self.blocks[code.rows[0]]
            if at in by_block or len(code.rows) > 1:
                block = self._old_code(at, by_block.get(at, []), record)
            blocks.append(block)
        data = self._bytes(blocks)
        if record.sha256 in ("", hashlib.sha256(data).hexdigest()):
            return Written(data)
        return Written(data, (self._why_other(data, record),))

    def _why_other(self, data: bytes, record: Record) -> str:
        """Why the file is not the one it was.

        Raises
        ------
        FileError
            Its lines were changed, and the record counts lines; or what it keeps is no job.
        """
        try:
            text = BinaryJob(data, self.name).stored
        except FileError as fault:
            raise self._misfit() from fault
        if hashlib.sha256(text).hexdigest() == record.text_sha256:
            return "the text is as it was; this computer's compressor gives it other bytes"
        if record.comments:
            raise self._misfit()
        return "the file was changed since its poses went in; those changes are still there"

    def _old_metadata(self, row: int, block: Block, record: Record) -> Block:
        if row in record.kept:
            size, stored = record.kept[row]
            return replace(block, size=size, stored=stored)
        if row == self.record_row and self.record is not None:
            return block.holding(with_record(self._plain(row), None))
        return block

    def _old_code(self, at: int, edits: list[LineEdit], record: Record) -> Block:
        block = self.blocks[self.code[at].rows[0]]
        with self._unpacking(at):
            stream = Lines(self._stream(at), self.encoding).edited(edits, taking_out=True)
            old = record.kept.get(self.first + at)
            if old is not None:
                kept = replace(block, size=old[0], stored=old[1])
                plain = kept.plain(Where(self.name, key=f"record of block {self.first + at + 1}"))
                if text_of(plain, self.encoding) == text_of(stream, self.encoding):
                    return kept
        return block.holding(stream)

    def _bytes(self, blocks: Sequence[Block]) -> bytes:
        parts = [self.data[: HEAD.size]]
        parts += [block.whole(checksum=self.checksum) for block in blocks]
        return b"".join(parts)
