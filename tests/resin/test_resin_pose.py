"""Pose blocks in a run.gcode: the machine is as before, and taking them out gives every byte."""

from __future__ import annotations

import io
import re
import zipfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError
from resin_jobs import bar, command_text, local_records, write_command_job

from capturehook.errors import GcodeError, PoseError, ProfileError, ProofError
from capturehook.jobfile.fence import sealed, strip_bytes
from capturehook.model.profile import Profile
from capturehook.model.resin import PlatePose, ResinTable
from capturehook.profile import load_profile
from capturehook.resin.job import read_job
from capturehook.resin.pose import insert_poses, pose_text, strip_poses
from capturehook.resin.prove import PlateState, follow, prove_posed
from capturehook.resin.shoot import plan_shoot

TERN = load_profile("tern")


def table_with(**pose: object) -> ResinTable:
    assert TERN.resin is not None
    return TERN.resin.model_copy(update={"pose": PlatePose.model_validate(pose)})


def posed(text: bytes, every: int = 1, profile: Profile = TERN, **pose: object) -> bytes:
    return pose_text(text, "a", profile, table_with(**pose), every, 1)


def test_pose_after_the_lift_stands_at_its_top() -> None:
    text = command_text(2, lift_mm=6, lifted_ms=1500)
    out = posed(text, lines=["M42 P4 S255", "G4 P200", "M42 P4 S0"])
    block = out[out.index(b"; capturehook job begin") : out.index(b"G4 P1500")]
    assert re.sub(rb"begin \S+ profile tern plan [0-9a-f]{12}", b"begin ...", block) == (
        b"; capturehook job begin ...\r\n"
        b"; capturehook job end\r\n"
        b"; capturehook pose 1 begin layer 1 z 0.05\r\n"
        b"G0 Z120 F180;\r\n"
        b"G4 P1000;\r\n"
        b"M42 P4 S255;\r\n"
        b"G4 P200;\r\n"
        b"M42 P4 S0;\r\n"
        b"G4 P470;\r\n"
        b"G0 Z7.05 F180;\r\n"
        b"G0 Z6.05 F60;\r\n"
        b"; capturehook pose 1 end 02adaa\r\n"
    )
    assert out[: out.index(b"; capturehook")].endswith(b"G0 Z6.050 F60;\r\n")


def test_pose_of_the_last_layer_of_a_lift_first_job_leaves_the_film_slowly() -> None:
    """No lift follows its light: first Tern's own lift, 6 mm at 60, then up to the pose."""
    out = posed(command_text(2, lift_first=True, eol="\n", tail=""))
    block = out[out.index(b"; capturehook pose 2") :]
    assert block.startswith(
        b"; capturehook pose 2 begin layer 2 z 0.10\n"
        b"G0 Z6.1 F60\nG0 Z117.7 F180\nG4 P1000\nG0 Z120 F180\nG4 P470\n"
        b"G0 Z1.1 F180\nG0 Z0.1 F150\n"
        b"; capturehook pose 2 end c6f7a8\n"
    )
    assert out[: out.index(b"; capturehook pose 2")].endswith(b"M106 S0\n")


def test_pose_in_a_job_of_steps_goes_up_and_down_by_the_same_sum() -> None:
    out = posed(command_text(3, relative=True))
    block = out[out.index(b"; capturehook pose 2") : out.index(b"; capturehook pose 2 end")]
    steps = [float(step) for step in re.findall(rb"G0 Z(\S+)", block)]
    assert len(steps) == 4
    assert sum(steps) == pytest.approx(0.0, abs=1e-9)


def test_pose_counts_every_kth_layer() -> None:
    """ceil(10 / 4) = 3 blocks, counted back from the finished part: layers 2, 6, 10."""
    out = posed(command_text(10), every=4)
    layers = re.findall(rb"; capturehook pose (\d+) begin layer (\d+) z", out)
    assert layers == [(b"1", b"2"), (b"2", b"6"), (b"3", b"10")]


jobs = st.builds(
    command_text,
    st.integers(1, 8),
    bottom=st.integers(0, 3),
    lift_mm=st.sampled_from([5.0, 6.125, 8.0]),
    layer_mm=st.sampled_from([0.025, 0.05, 0.1]),
    lifted_ms=st.sampled_from([0, 800]),
    lift_first=st.booleans(),
    relative=st.booleans(),
    marks=st.booleans(),
    shows=st.booleans(),
    screen_test=st.booleans(),
    eol=st.sampled_from(["\r\n", "\n", "\r"]),
    tail=st.sampled_from([";", ""]),
)


@pytest.mark.property
@settings(max_examples=80, deadline=None)
@given(text=jobs, every=st.integers(1, 4), gentle_mm=st.sampled_from([0.1, 1.0, 7.5]))
def test_strip_after_pose_is_the_job_and_twice_is_once(
    text: bytes, every: int, gentle_mm: float
) -> None:
    """Rules: strip gives back every byte; posing a posed job gives the same bytes."""
    once = posed(text, every, gentle_mm=gentle_mm)
    assert once != text
    assert strip_bytes(once, "a") == text
    assert posed(once, every, gentle_mm=gentle_mm) == once


@pytest.mark.property
@settings(max_examples=60, deadline=None)
@given(text=jobs, every=st.integers(1, 3))
def test_every_line_outside_blocks_finds_the_machine_as_before(text: bytes, every: int) -> None:
    """Rule: a reader of lines that skips the blocks and one that follows them never differ."""
    following = skipping = PlateState()
    inside = False
    for line in re.split(rb"\r\n|\n|\r", posed(text, every)):
        following = follow(following, line)
        if line.startswith(b"; capturehook"):
            inside = b" begin" in line
        if not inside:
            skipping = follow(skipping, line)
            assert following.z_mm == pytest.approx(skipping.z_mm, abs=1e-6)
            assert following.feed_mm_min == skipping.feed_mm_min
            assert (following.lamp, following.relative) == (skipping.lamp, skipping.relative)
        else:
            assert following.lamp == 0


@pytest.mark.property
@settings(
    max_examples=40,
    deadline=None,
)
@given(text=jobs, every=st.integers(1, 3))
def test_container_after_pose_and_strip_has_all_members_as_before(
    tmp_path: Path, text: bytes, every: int
) -> None:
    """Rule: but for run.gcode every raw local record is the same, and in the same order."""
    path = write_command_job(tmp_path / "in.zip", text, [bar(n) for n in range(8)])
    before = path.read_bytes()
    assert TERN.resin is not None
    job, added_s = insert_poses(path, path, TERN, TERN.resin, every)
    posed_records = local_records(path.read_bytes())
    assert list(posed_records) == list(local_records(before))
    for name, record in local_records(before).items():
        assert (posed_records[name] == record) == (name != "run.gcode")
    assert added_s == pytest.approx(job.timeline.phase_s[:, -1].sum())
    assert strip_poses(path, path)
    with zipfile.ZipFile(path) as read, zipfile.ZipFile(io.BytesIO(before)) as old:
        assert read.testzip() is None
        assert read.read("run.gcode") == old.read("run.gcode") == text


def test_pose_seconds_are_as_by_hand(tmp_path: Path) -> None:
    """Up 120 - 6.05 mm at 180 and down to 7.05, then 1 mm at 60; rests 1 + 0.47 s.

    The switch closes 0.3 mm below 120: 0.1 s before the plate stands, which then holds 0.47 s.
    """
    path = write_command_job(tmp_path / "a.zip", command_text(1, lift_mm=6), [bar(1)])
    assert TERN.resin is not None
    job, added_s = insert_poses(path, path, TERN, TERN.resin)
    by_hand = (120 - 6.05) / 3 + 1.0 + 0.47 + (120 - 7.05) / 3 + 1.0
    assert added_s == pytest.approx(by_hand)
    shoot = plan_shoot(read_job(path, TERN.resin), TERN, TERN.resin)
    assert shoot.by == "pose"
    (pose,) = shoot.plan.poses
    # 60 s start, rest 1, light 20, to Z 0.05 at 150, lift 6 at 60, up, settle
    assert pose.t_s == pytest.approx(
        60 + 1 + 20 + 0.02 + 6 + (120 - 6.05) / 3 + 1.0 - 0.1, abs=1e-3
    )
    assert pose.still_s == pytest.approx(0.57)
    assert pose.finished
    assert job.poses is not None


def test_pose_too_low_for_a_tall_part_is_a_finding(tmp_path: Path) -> None:
    """At 50 mm the newest layer hangs at 50 - 4 n; that is 35 or less from layer 4 on."""
    text = command_text(6, layer_mm=4.0, lift_mm=6)
    path = write_command_job(tmp_path / "a.zip", text, [bar(1)] * 6)
    table = table_with(z_mm=50)
    job, _ = insert_poses(path, path, TERN, table)
    (finding,) = plan_shoot(job, TERN, table).findings
    assert finding.code == "resin-low-pose"
    assert "from layer 4 on" in finding.text
    assert "raise z_mm of [resin.pose] to 59 mm" in finding.text


@pytest.mark.parametrize(
    ("text", "pose", "found"),
    [
        (
            command_text(2),
            {"z_mm": 200},
            "tern: [resin.pose] z_mm: 200 is over the machine's 180. Lower it.",
        ),
        (
            command_text(2),
            {"z_mm": 35},
            "tern: [resin.pose] z_mm: 35 is not above the vat's rim at 35. Raise it.",
        ),
        (
            command_text(15, layer_mm=4.0),
            {"z_mm": 60},
            "a: layer 13: the plate is at 57 mm there, too near to the pose at 60. "
            "Raise z_mm of [resin.pose].",
        ),
        (
            command_text(2, relative=True).replace(b"G28 Z0;\r\n", b""),
            {},
            "a: layer 1: the height of the plate is not known there (no Z, no homing). "
            "No pose can be put there; use --every.",
        ),
        (
            b"G28\nM106 S255\nG4 P5\nM106 S0\n",
            {},
            "a: layer 1: no F word has given a speed yet. No pose can be put there; use --every.",
        ),
    ],
)
def test_pose_that_cannot_be_made_says_where_and_why(
    text: bytes, pose: dict[str, object], found: str
) -> None:
    with pytest.raises(PoseError) as caught:
        posed(text, **pose)
    assert str(caught.value) == found


@pytest.mark.parametrize(
    ("line", "found"),
    [
        ("M106 S255", "holds M106, which may touch the lamp, the plate, heaters or limits"),
        ("m0106 s1", "holds M106, which may touch the lamp, the plate, heaters or limits"),
        ("G28", "holds G28, which may touch the lamp, the plate, heaters or limits"),
        ("G0 Z5", "holds G0, which may touch the lamp, the plate, heaters or limits"),
        ("M6054 0", "holds M6054, which may touch the lamp, the plate, heaters or limits"),
        ("M42 P1; x", "holds a comment"),
        ("M42 \u00e4", "is not plain ASCII of 1 to 80 letters"),
    ],
)
def test_pose_line_that_could_harm_is_refused(line: str, found: str) -> None:
    with pytest.raises(ProfileError) as caught:
        posed(command_text(1), lines=[line])
    assert str(caught.value) == f"tern: [resin.pose] lines: line 1: {found}. Leave it out."


def test_strip_of_a_block_without_its_end_is_refused() -> None:
    out = re.sub(rb"; capturehook pose 2 end \w+\r\n", b"", posed(command_text(2)))
    with pytest.raises(GcodeError, match="the block 'pose 2' begins here and has no end"):
        strip_bytes(out, "a")


GOOD = b"G28\nG0 Z5 F60\nM106 S0\n"


def fenced(inside: bytes) -> bytes:
    begin, end = b"; capturehook pose 1 begin layer 1 z 0.05", b"; capturehook pose 1 end"
    return b"".join(line + b"\n" for line in sealed([begin, *inside.splitlines(), end]))


@pytest.mark.parametrize(
    ("inside", "found"),
    [
        (b"M106 S9\nM106 S0\n", "the lamp is on inside a block"),
        (b"G0 Z6\n", "a block begins at"),
        (b"G0 Z4\nG0 Z5\n", "a block takes the plate to 4 mm"),
        (b"G0 Z190\nG0 Z5\n", "a block takes the plate to 190 mm"),
        (b"G0 Z6 F90\nG0 Z5\n", "a block begins at"),
        (b"G91\n", "a block begins at"),
    ],
)
def test_proof_refuses_a_block_that_leaves_a_trace(inside: bytes, found: str) -> None:
    prove_posed(GOOD, GOOD + fenced(b"G0 Z9\nG0 Z5\n"), "a", blocks=1, z_max_mm=180)
    with pytest.raises(ProofError, match=found):
        prove_posed(GOOD, GOOD + fenced(inside), "a", blocks=1, z_max_mm=180)


def test_proof_refuses_a_changed_byte_and_a_missing_block() -> None:
    with pytest.raises(ProofError, match="does not give the job back"):
        prove_posed(GOOD, GOOD.lower(), "a", blocks=0, z_max_mm=180)
    with pytest.raises(ProofError, match="0 blocks were found where 1 were put in"):
        prove_posed(GOOD, GOOD, "a", blocks=1, z_max_mm=180)


@pytest.mark.parametrize("eol", ["\r\n", "\n", "\r"])
def test_strip_of_a_lone_fence_in_a_long_job_ends(eol: str) -> None:
    """A search that could read one line end in two ways would never come back from this."""
    end = eol.encode()
    text = b"; capturehook pose 1 begin layer 1 z 0.05" + end + (b"G4 P1;" + end) * 20_000
    with pytest.raises(GcodeError, match="begins here and has no end"):
        strip_bytes(text, "a")


def posed_codes(tmp_path: Path, text: bytes, **switch: object) -> dict[str, str]:
    """Code -> text of the findings of a job posed for a switch."""
    path = write_command_job(tmp_path / "a.zip", text, [bar(1)] * 2)
    table = table_with(switch=switch)
    job, _ = insert_poses(path, path, TERN, table)
    found = [*job.findings, *plan_shoot(job, TERN, table).findings]
    return {finding.code: finding.text for finding in found}


def test_job_that_rises_past_the_switch_is_told_with_the_amount(tmp_path: Path) -> None:
    """The contact closes 0.3 mm under the pose at 120; the job ends at 150, 30.3 mm further."""
    text = command_text(2, lift_mm=6, end=("M106 S0", "G1 Z150 F25"))
    told = posed_codes(tmp_path, text)["resin-switch-pressed"]
    assert "to 150 mm, 30.3 mm past the switch that closes at 119.7 mm" in told
    assert "a switch that stands 2 mm breaks" in told
    assert "breaks" not in posed_codes(tmp_path, text, passable=True)["resin-switch-pressed"]
    assert posed_codes(tmp_path, command_text(2, lift_mm=6)) == {}


def test_plate_that_moves_on_as_the_shutter_opens_is_told(tmp_path: Path) -> None:
    """1.5 mm at 60 mm/min take 1.5 s; Tern's camera opens 0.12 s after the contact."""
    text = command_text(2, lift_mm=6)
    told = posed_codes(tmp_path, text, over_travel_mm=1.5, approach_mm_min=60)
    assert "moves on for 1.50 s after its switch closes" in told["resin-plate-moves"]


@pytest.mark.parametrize(
    ("switch", "found"),
    [
        ({"over_travel_mm": 0.1, "repeat_mm": 0.05}, "less than three times repeat_mm 0.05"),
        ({"over_travel_mm": 3.0}, "more than the 2 it stands"),
    ],
)
def test_switch_that_may_not_close_or_would_break_is_refused(
    switch: dict[str, object], found: str
) -> None:
    with pytest.raises(ValidationError, match=found):
        PlatePose.model_validate({"switch": switch})
    PlatePose.model_validate({"switch": switch, "lines": ["M42 P4 S255"]})  # not pressed then
