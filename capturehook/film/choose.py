"""An Audit -> the frames of the film, one after another; poses without a fit one are filled."""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from capturehook.audit import verdicts as v
from capturehook.audit.judge import Audit, FrameVerdict
from capturehook.errors import Finding, FrameError, counted

Bridge = Literal["hold", "blend", "motion", "skip"]
MOST_NAMED = 6
FAR_SHARE = 0.03  # a lone frame knocked further than this would cost too much of the picture


@dataclass(frozen=True, slots=True, kw_only=True)
class Chosen:
    """One frame of the film.

    ``kind`` is shot, held (the frame before stands in), blended (``share`` of the frame
    ``other_index`` mixed in) or moved (at ``share`` of the way to it). ``pose_index`` is None
    without a plan. It is ``shown`` for so many film frames.
    """

    kind: str
    frame_index: int
    pose_index: int | None
    other_index: int | None = None
    share: float = 0.0
    shown: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """What is done to one source frame: content has moved by dx, dy (original px), turned
    clockwise and grown against the reference, all about the pivot of the measures; the linear
    light of red, green and blue is multiplied by ``gain``."""

    dx_px: float = 0.0
    dy_px: float = 0.0
    turn_deg: float = 0.0
    zoom: float = 1.0
    gain: tuple[float, float, float] = (1.0, 1.0, 1.0)


def choose_frames(
    audit: Audit, bridge: Bridge = "hold", *, aligned: bool = True
) -> tuple[list[Chosen], list[Finding]]:
    """The frames of the film in order, and what had to be filled or left out.

    Parameters
    ----------
    aligned : the film is aligned, so a frame of a knocked camera will do

    Raises
    ------
    FrameError
        No frame is fit for the film.
    """
    fit = [is_fit(audit, one, aligned) for one in audit.by_frame]
    if audit.plan is None:
        chosen = [
            Chosen(kind="shot", frame_index=one.frame_index, pose_index=None)
            for one in audit.by_frame
            if fit[one.frame_index]
        ]
        _refuse_nothing(audit, chosen)
        return chosen, []
    shown = [
        one.frame_index if one.frame_index is not None and fit[one.frame_index] else None
        for one in audit.by_pose
    ]
    known = [pose for pose, frame in enumerate(shown) if frame is not None]
    _refuse_nothing(audit, known)
    chosen = _bridged(shown, known, bridge)
    return chosen, _said(audit, known, bridge)


def is_fit(audit: Audit, one: FrameVerdict, aligned: bool) -> bool:
    if one.verdict is v.MOVED:
        far_px = FAR_SHARE * audit.frames.size_px[0]
        return aligned and math.hypot(one.dx_px, one.dy_px) <= far_px  # NaN is not
    return one.verdict.usable


def _refuse_nothing(audit: Audit, some: object) -> None:
    if not some:
        counts = ", ".join(f"{count} {name}" for name, count in audit.counts.items())
        raise FrameError(
            "frames", f"none is fit for a film ({counts})", "See what `capturehook audit` says"
        )


def _bridged(shown: list[int | None], known: list[int], bridge: Bridge) -> list[Chosen]:
    """From the first pose that is shown to the last."""
    chosen: list[Chosen] = []
    for pose in range(known[0], known[-1] + 1):
        frame = shown[pose]
        if frame is not None:
            chosen.append(Chosen(kind="shot", frame_index=frame, pose_index=pose))
        elif bridge != "skip":
            chosen.append(_stand_in(shown, known, pose, bridge))
    return chosen


def _stand_in(shown: list[int | None], known: list[int], pose: int, bridge: Bridge) -> Chosen:
    before = max(one for one in known if one < pose)
    after = min(one for one in known if one > pose)
    first, last = shown[before], shown[after]
    assert first is not None and last is not None
    if bridge == "hold":
        return Chosen(kind="held", frame_index=first, pose_index=pose)
    share = (pose - before) / (after - before)
    kind = "blended" if bridge == "blend" else "moved"
    return Chosen(kind=kind, frame_index=first, pose_index=pose, other_index=last, share=share)


def _said(audit: Audit, known: list[int], bridge: Bridge) -> list[Finding]:
    poses = len(audit.by_pose)
    findings = []
    gone = sorted(set(range(known[0], known[-1] + 1)) - set(known))
    if gone:
        how = {
            "hold": "the frame before is held",
            "blend": "blended from both neighbours",
            "motion": "moved along between both neighbours",
            "skip": "left out",
        }[bridge]
        names = ", ".join(str(audit.by_pose[pose].pose.pose) for pose in gone[:MOST_NAMED])
        more = f" and {len(gone) - MOST_NAMED} more" if len(gone) > MOST_NAMED else ""
        many = counted(len(gone), "pose")
        text = f"{many} without a fit frame inside the film: {how} (pose {names}{more})"
        findings.append(Finding("bridged", "film", text))
    for count, end in ((known[0], "first"), (poses - 1 - known[-1], "last")):
        if count:
            which = f"{end} pose" if count == 1 else f"{end} {count} poses"
            text = f"without a fit frame for the {which}, which the film leaves out"
            findings.append(Finding("shortened", "film", text))
    return findings


LIST_COLUMNS = (
    "film_frame",
    "start_s",
    "shown_frames",
    "kind",
    "file",
    "other_file",
    "other_share",
    "pose",
    "layer",
    "z_mm",
    "verdict",
    "dx_px",
    "dy_px",
    "turn_deg",
    "zoom",
    "gain_ev",
    "red_ev",
    "blue_ev",
)


def list_csv(
    audit: Audit,
    chosen: list[Chosen],
    corrections: dict[int, Correction],
    fps: Fraction,
    before: int = 0,
) -> str:
    """The film as a list for another editor: one row a frame, in order, with its corrections.

    ``before`` is how many film frames of a card come first.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(LIST_COLUMNS)
    at = before
    for one in chosen:
        writer.writerow(_row(audit, one, corrections[one.frame_index], at, fps))
        at += one.shown
    return out.getvalue()


def _row(audit: Audit, one: Chosen, correction: Correction, at: int, fps: Fraction) -> list[object]:
    frames = audit.frames.frames
    pose = audit.by_pose[one.pose_index].pose if one.pose_index is not None else None
    return [
        at + 1,
        f"{float(at / fps):.3f}",
        one.shown,
        one.kind,
        frames[one.frame_index].path,
        frames[one.other_index].path if one.other_index is not None else "",
        f"{one.share:.3f}" if one.other_index is not None else "",
        pose.pose if pose else "",
        pose.layer if pose else "",
        f"{pose.z_mm:g}" if pose else "",
        audit.by_frame[one.frame_index].verdict.name,
        f"{correction.dx_px:.2f}",
        f"{correction.dy_px:.2f}",
        f"{correction.turn_deg:.3f}",
        f"{correction.zoom:.5f}",
        *(f"{ev:.3f}" for ev in _gain_ev(correction.gain)),
    ]


def _gain_ev(gain: tuple[float, float, float]) -> tuple[float, float, float]:
    """Green's gain, and what red and blue get more than it, EV; never -0."""
    red, green, blue = (math.log2(one) for one in gain)
    return green + 0.0, red - green + 0.0, blue - green + 0.0
