"""An Audit as data for machines and as lines for people."""

from __future__ import annotations

import math
from datetime import datetime, timezone
from typing import Any

from capturehook.audit.judge import Audit, FrameVerdict
from capturehook.errors import counted

SCHEMA = 1


def audit_json(audit: Audit) -> dict[str, Any]:
    """Everything found out, unknown numbers as null; see docs/howto/audit.md for the keys."""
    return {
        "schema": SCHEMA,
        "job": audit.plan.job if audit.plan is not None else None,
        "counts": audit.counts,
        "filmable": audit.filmable,
        "clock": _clock_json(audit),
        "static_px": _static_json(audit),
        "frames": [_frame_json(audit, one) for one in audit.by_frame],
        "poses": _poses_json(audit),
        "findings": [finding.as_json() for finding in audit.findings],
    }


def summary_lines(audit: Audit) -> list[str]:
    """The page: what there is, what it is worth, what the clocks did."""
    frames = len(audit.frames)
    if audit.plan is None:
        head = f"{counted(frames, 'frame')}, no plan: only the pictures are judged"
    else:
        poses = counted(len(audit.by_pose), "pose")
        head = f"{counted(frames, 'frame')} for {poses} of {audit.plan.job}"
    width, height = audit.frames.size_px
    lines = [
        head,
        f"pictures  {width} x {height} px, {_span(audit)}",
        f"times     {_times(audit)}",
    ]
    if audit.clock is not None:
        lines.append(f"clock     {_clock_text(audit)}")
    counts = ", ".join(f"{count} {name}" for name, count in audit.counts.items())
    lines.append(f"verdicts  {counts}")
    of = len(audit.by_pose) if audit.plan is not None else frames
    lines.append(f"film      {audit.filmable} of {of} pictures are fit for it{_film_length(audit)}")
    return lines


def _span(audit: Audit) -> str:
    t_s = audit.frames.t_s
    if len(t_s) < 2 or math.isnan(t_s[0]):
        return "when they were taken is unknown"
    when = [datetime.fromtimestamp(float(t), tz=timezone.utc) for t in (t_s[0], t_s[-1])]
    return f"taken {when[0]:%Y-%m-%d %H:%M:%S} to {when[1]:%Y-%m-%d %H:%M:%S}"


def _times(audit: Audit) -> str:
    words = {
        "camera": "from the pictures (Exif)",
        "file": "of the files",
        "order": "none: the order of the names counts",
    }
    text = words[audit.frames.clock]
    step_s = audit.frames.step_s
    return text + (f", in steps of {step_s:g} s" if step_s else "")


def _clock_text(audit: Audit) -> str:
    clock = audit.clock
    assert clock is not None
    error = (clock.rate - 1) * 100
    text = "the print took as long as planned"
    if abs(error) >= 0.05:
        text = f"the print took {abs(error):.1f} % {'more' if error > 0 else 'less'} than planned"
    text += f", times within {clock.spread_s:.2f} s"
    jumps = len(clock.pieces) - 1
    return text + (f", {counted(jumps, 'jump')}" if jumps else "")


def _film_length(audit: Audit) -> str:
    if audit.plan is None:
        return ""
    from fractions import Fraction

    seconds = audit.filmable / float(Fraction(audit.plan.fps))
    return f": {seconds:.1f} s at {audit.plan.fps} frames/s"


def _clock_json(audit: Audit) -> dict[str, Any]:
    clock = audit.clock
    data: dict[str, Any] = {"times": audit.frames.clock, "step_s": audit.frames.step_s}
    if clock is None:
        return data
    pieces = [
        {
            "first_pose": audit.plan.poses[piece.first_pose].pose if audit.plan else None,
            "jump_s": round(piece.jump_s, 3),
            "kind": piece.kind,
        }
        for piece in clock.pieces
    ]
    return {**data, "rate": clock.rate, "spread_s": round(clock.spread_s, 3), "pieces": pieces}


def _static_json(audit: Audit) -> list[list[int]]:
    scale = audit.measures.scale
    return [
        [round(value / scale) for value in (tile.left, tile.top, tile.width, tile.height)]
        for tile in audit.measures.area.tiles
    ]


def _frame_json(audit: Audit, one: FrameVerdict) -> dict[str, Any]:
    frame = audit.frames.frames[one.frame_index]
    pose = None
    if audit.plan is not None and one.pose_index is not None:
        pose = audit.plan.poses[one.pose_index].pose
    return {
        "file": str(frame.path),
        "card": frame.card + 1,
        "taken_s": _number(float(audit.frames.t_s[one.frame_index]), 3),
        "verdict": one.verdict.name,
        "pose": pose,
        "late_s": _number(one.late_s, 3),
        "sharp_ratio": _number(one.sharp_ratio, 3),
        "flicker_ev": _number(one.flicker_ev, 3),
        "dx_px": _number(one.dx_px, 2),
        "dy_px": _number(one.dy_px, 2),
        "odd_share": _number(one.odd_share, 4),
    }


def _poses_json(audit: Audit) -> list[dict[str, Any]]:
    return [
        {
            "pose": one.pose.pose,
            "layer": one.pose.layer,
            "z_mm": one.pose.z_mm,
            "verdict": one.verdict.name,
            "file": None
            if one.frame_index is None
            else str(audit.frames.frames[one.frame_index].path),
        }
        for one in audit.by_pose
    ]


def _number(value: float, digits: int) -> float | None:
    return round(value, digits) if math.isfinite(value) else None
