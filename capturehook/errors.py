"""Where a fault is, what was found there, what to do; and findings that do not stop a run.

The only module that words a location. Exit codes: 0 done, 1 findings, 2 the user can
fix it, 3 ours.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass

MOST_LETTERS = 2000
"""Of one message; what a damaged file holds can be as long as the file."""


def printable(text: str) -> str:
    """The text with what no console shows, or acts upon, written as escapes (`\\x1b`)."""
    if len(text) > MOST_LETTERS:
        text = f"{text[: MOST_LETTERS // 2]} ... {text[-MOST_LETTERS // 2 :]}"
    return escaped(text)


def counted(count: int, what: str) -> str:
    """ "1 frame", "2 frames": ``what`` is one of them."""
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def escaped(text: str, kept: str = "") -> str:
    """As :func:`printable`, at any length; ``kept`` are letters to leave as they are. A new line
    is none of them by default: a file's name can hold one."""
    if text.isprintable():
        return text
    return "".join(one if one.isprintable() or one in kept else _escaped(one) for one in text)


def _escaped(letter: str) -> str:
    return letter.encode("unicode_escape").decode("ascii")


@dataclass(frozen=True, slots=True)
class Where:
    """A place a person can go to: a file, and a line or a profile key in it."""

    path: str
    line_no: int | None = None
    column: int | None = None
    key: str | None = None

    def __str__(self) -> str:
        text = escaped(self.path)
        if self.line_no is not None:
            text += f":{self.line_no}"
            if self.column is not None:
                text += f":{self.column}"
        if self.key is not None:
            text += f": {self.key}"
        return text


class CaptureHookError(Exception):
    """Something the person at the printer can put right.

    Parameters
    ----------
    where : Where or str
        A plain string is taken as a path (or as the name of a stream or an option).
    found, advice : str
        Sentences without a full stop at the end.
    """

    exit_code = 2

    def __init__(self, where: Where | str, found: str, advice: str) -> None:
        self.where = Where(where) if isinstance(where, str) else where
        self.found = found
        self.advice = advice
        super().__init__(printable(f"{self.where}: {found}. {advice}."))

    def each(self) -> list[CaptureHookError]:
        """The faults to tell, a line each."""
        return [self]

    def as_json(self) -> dict[str, object]:
        return {"where": str(self.where), "found": self.found, "advice": self.advice}


class GcodeError(CaptureHookError):
    """The job's text cannot be read, or not followed safely."""


class LayerError(CaptureHookError):
    """No layers, or layers that contradict each other."""


class ProfileError(CaptureHookError):
    """The profile is wrong; holds all its faults, worst first."""

    def __init__(self, faults: list[CaptureHookError]) -> None:
        self.faults = faults
        first = faults[0]
        super().__init__(first.where, first.found, first.advice)
        self.args = ("\n".join(str(fault) for fault in faults),)

    def each(self) -> list[CaptureHookError]:
        return self.faults

    def __str__(self) -> str:
        return str(self.args[0])


class PlanError(CaptureHookError):
    """The wishes of the profile cannot all be met on this job."""


class PoseError(PlanError):
    """A pose cannot be made safely."""

    exit_code = 1


class FrameError(CaptureHookError):
    """Frames or films that cannot be read or written."""


class FileError(CaptureHookError):
    """A file cannot be opened, read or written."""


def of_the_system(
    fault: OSError,
    done: str = "used",
    where: object = None,
    advice: str = "Check the path and its rights",
) -> FileError:
    """What the system refused, a right or a folder that is gone; ``done`` is what was tried."""
    place = str(where or fault.filename or "the folder you are in")
    return FileError(place, f"cannot be {done} ({fault.strerror or fault})", advice)


class ProofError(CaptureHookError):
    """A block failed its own proof: our fault; nothing was written."""

    exit_code = 3


class UntoldError(ProofError):
    """A block cannot be proved: the job's own lines do not tell enough. Nothing was written."""

    exit_code = 2


@dataclass(frozen=True, slots=True)
class Finding:
    """A warning that does not stop the run. Codes are stable: docs/reference/findings.md."""

    code: str
    where: str
    text: str

    def __str__(self) -> str:
        return f"{self.where}: {self.text} [{self.code}]"

    def as_json(self) -> dict[str, str]:
        return asdict(self)
