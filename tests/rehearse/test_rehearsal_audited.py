"""Rehearsal frames with one known fault each go through the audit: found, and nothing else.

Three printers: the bed carries the part in Y, the bed sinks, the part hangs from a plate.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest

from capturehook.audit.judge import Audit, audit_frames
from capturehook.demo.resin import SCREEN_MM, resin_lighthouse
from capturehook.frames.listing import load_frames
from capturehook.model.plan import PlanRecord
from capturehook.rehearse.draw import Stage
from capturehook.rehearse.hanging import HangingStage, Scene
from capturehook.rehearse.room import Wishes
from capturehook.rehearse.stand_in import StandInCamera, list_exposures, read_fault
from capturehook.report.shoot import plan_shoot
from capturehook.resin.job import load_resin_profile
from capturehook.resin.pose import insert_poses
from capturehook.resin.shoot import plan_shoot as plan_resin_shoot
from tests.rehearse.rehearsed import camera_of, small

SIZE = (320, 180)
FAR_MM = 330.0
"""Head and bed are well in the picture, as in a shoot of a small part with a short lens."""
Drawn = tuple[PlanRecord, list[np.ndarray]]


@lru_cache(maxsize=3)
def drawn(printer: str) -> Drawn:
    """The plan of a small job and the frames of its poses, drawn once."""
    if printer == "tern":
        return _drawn_resin()
    applied = small(printer, layers=36)
    view = camera_of(applied, SIZE, distance_mm=FAR_MM)
    return plan_shoot(applied).record(), [shot.rgb for shot in Stage(applied, view).shots()]


def _drawn_resin() -> Drawn:
    profile, table = load_resin_profile("tern")
    with TemporaryDirectory() as folder:
        path = Path(folder) / "lighthouse.zip"
        path.write_bytes(resin_lighthouse(72))
        job, _ = insert_poses(path, path, profile, table, every=2)
        shoot = plan_resin_shoot(job, profile, table)
        scene = Scene(job=job, shoot=shoot, profile=profile, table=table, screen_mm=SCREEN_MM)
        stage = HangingStage(scene.hanging, scene.view(Wishes(), SIZE))
    return shoot.plan, [shot.rgb for shot in stage.shots()]


def audited(printer: str, card: Path, *faults: str) -> Audit:
    plan, frames = drawn(printer)
    camera = StandInCamera(card, list_exposures(plan, [read_fault(text) for text in faults]))
    for pose, rgb in zip(plan.poses, frames, strict=True):
        camera.take(pose.pose, rgb)
    return audit_frames(load_frames([card]), plan)


def odd_ones(audit: Audit) -> dict[str, str]:
    """Name of each frame that is not good, and of each missing pose."""
    gone = {f"pose {one.pose.pose}": "missing" for one in audit.by_pose if one.frame_index is None}
    return gone | {
        one.name: one.verdict.name for one in audit.by_frame if one.verdict.name != "good"
    }


@pytest.mark.parametrize(
    ("printer", "fault", "code", "odd"),
    [
        ("heron", "missing=9", "missing", {"pose 9": "missing"}),
        ("kestrel", "missing=9", "missing", {"pose 9": "missing"}),
        ("tern", "missing=9", "missing", {"pose 9": "missing"}),
        ("heron", "double=9", "double", {"pict0010.jpg": "double"}),
        ("kestrel", "blurred=9", "blurred", {"pict0009.jpg": "blurred"}),
        ("tern", "dark=9", "dark", {"pict0009.jpg": "dark"}),
        ("heron", "moved=20:3.4", "bumped", {}),
        ("tern", "moved=20:3.4", "bumped", {}),
        ("kestrel", "flicker=0.3", "flicker", {}),
        ("heron", "pause=9:900", "pause", {}),
        ("tern", "drift=30000", "drift", {}),
        ("kestrel", "restart=9", None, {}),
    ],
)
def test_fault_is_found_and_nothing_else(printer, fault, code, odd, tmp_path):
    audit = audited(printer, tmp_path / "card", fault)
    assert odd_ones(audit) == odd
    codes = [finding.code for finding in audit.findings]
    if code == "flicker":  # the stand-in's tone curve bends bright colours with the light
        codes = [one for one in codes if one != "colour-flicker"]
    assert codes == ([code] if code else [])
    if code == "bumped":
        assert audit.findings[0].where == "pict0020.jpg"
        step = np.diff([one.dx_px for one in audit.by_frame])[18]
        assert step == pytest.approx(3.4, abs=0.3)
    if code == "drift":
        assert audit.clock.rate == pytest.approx(1.03, abs=1e-4)


def test_plate_that_is_elsewhere_is_not_parked(tmp_path):
    """A job that never draws back: its end lowers the plate by 10 mm before the last frame."""
    applied = small("kestrel", layers=36, retract="none")
    plan = plan_shoot(applied).record()
    camera = StandInCamera(tmp_path / "card", list_exposures(plan))
    shots = Stage(applied, camera_of(applied, SIZE, distance_mm=FAR_MM)).shots()
    for pose, shot in zip(plan.poses, shots, strict=True):
        camera.take(pose.pose, shot.rgb)
    audit = audit_frames(load_frames([tmp_path / "card"]), plan)
    assert odd_ones(audit) == {"pict0035.jpg": "not parked"}


def test_frame_of_a_double_is_the_later_one(tmp_path):
    """Frames are in order of capture and each pose has its own."""
    audit = audited("tern", tmp_path / "card", "double=9", "restart=5")
    shown = [one.frame_index for one in audit.by_pose]
    assert shown == [*range(9), *range(10, len(shown) + 1)]
