"""What every kind of job file is to the rest: texts to read, and edits to write back."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from capturehook.errors import FileError
from capturehook.files import memory_bytes

AGAIN = "Copy the file again, or slice the model again"
SUSPECT = "Do not use this file; get the job from where it was sliced"
MIB = 1 << 20
MOST_TEXT_BYTES = 2048 * MIB
"""Unpacked text of one job; a month of printing stays below it."""
MEMORY_PER_TEXT = 4
"""Bytes of memory that reading takes for each byte of text (docs/explain/speed.md)."""
MOST_RATIO, RATIO_FROM_BYTES = 250, 16 * MIB
"""Unpacked to packed size; job texts seldom pass 15. Small files may be packed tightly."""


@dataclass(frozen=True, slots=True)
class Edit:
    """``new`` takes the place of the text's bytes from ``start`` to ``stop``."""

    start: int
    stop: int
    new: bytes


@dataclass(frozen=True, slots=True)
class JobText:
    """One job of a file, as text. ``plate`` counts as the file does; None where it has none."""

    name: str
    text: bytes = field(repr=False)
    plate: int | None = None


Edits = Mapping[int, Sequence[Edit]]
"""Index of a job in the file -> edits of its text, rising and apart from each other."""


CHANGED = "the text was changed since its poses went in, so it is packed anew"
"""Told where what was kept for `strip` no longer fits."""


class JobFile(ABC):
    """A job file of one kind. Bytes never change; edits give the bytes of a new file.

    Attributes
    ----------
    kind : "plain", "gzip", "binary" or "plates"
    jobs : at least one
    notes : what a person should know of this file before it is edited, a sentence each
    """

    kind: str
    jobs: tuple[JobText, ...]
    notes: tuple[str, ...] = ()

    @abstractmethod
    def posed(self, edits: Edits, added_s: float | None = None) -> Written:
        """A file of the same kind with lines put into its texts.

        Parameters
        ----------
        edits : whole lines put in, or put in the place of whole lines
        added_s : seconds to add to printing times that stand outside the text; None: none

        Raises
        ------
        FileError, GcodeError
            A line cannot be kept in this kind of file, or a limit of its readers is passed.
        """

    @abstractmethod
    def stripped(self, edits: Edits) -> Written:
        """The file as it was before :meth:`posed`, ``edits`` taking out what that put in."""


@dataclass(frozen=True, slots=True)
class Written:
    """Bytes of a new file, and what is to be told about them."""

    data: bytes = field(repr=False)
    notes: tuple[str, ...] = ()


def apply_edits(text: bytes, edits: Sequence[Edit]) -> bytes:
    """The text with its edits made."""
    parts: list[bytes | memoryview] = []
    view, at = memoryview(text), 0
    for edit in edits:
        parts += [view[at : edit.start], edit.new]
        at = edit.stop
    return b"".join([*parts, view[at:]])


def check_memory(name: str, text_bytes: int) -> None:
    """Refuse a text that cannot be read in this computer's memory.

    Raises
    ------
    FileError
    """
    least, memory = MEMORY_PER_TEXT * text_bytes, memory_bytes()
    if least > memory:
        raise FileError(
            name,
            f"holds {text_bytes / 1e6:.0f} MB of text or more, which takes {least / 1e9:.1f} GB of "
            f"memory to read; this computer has {memory / 1e9:.1f} GB",
            "Take a computer with more memory. If the job should be small, " + SUSPECT,
        )


def check_growth(name: str, packed_bytes: int, text_bytes: int) -> None:
    """Refuse what unpacks to more than any job, before it is unpacked.

    Raises
    ------
    FileError
    """
    if text_bytes > MOST_TEXT_BYTES:
        raise FileError(
            name,
            f"would unpack to {text_bytes} bytes, over the limit of {MOST_TEXT_BYTES}",
            SUSPECT,
        )
    check_memory(name, text_bytes)
    ratio = text_bytes / max(packed_bytes, 1)
    if ratio > MOST_RATIO and text_bytes > RATIO_FROM_BYTES:
        raise FileError(
            name, f"unpacks to {ratio:.0f} times its size, the mark of a zip bomb", SUSPECT
        )
