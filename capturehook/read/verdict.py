"""A job held against what it states itself, and against the profile.

In: a job that has been read. Out: findings that every command tells alike. Where a contradiction
would change what a pose block does, the job is refused, with the line that says so.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

from capturehook.catalog import FIRMWARES
from capturehook.catalog.triggers.button_press import trigger_path
from capturehook.errors import Finding, GcodeError, Where
from capturehook.read.arcs import parts_of
from capturehook.read.stated import Range, Setting, Stated
from capturehook.read.whole import refuse_cut

if TYPE_CHECKING:
    from capturehook.read.job import Job

Found = tuple[str, Setting, str]
"""Code, the setting that contradicts, text."""

BED_SLACK = 0.2
"""The axes may reach past the bed by this share of its size: wipers, switches, brushes."""
LIMIT_RATIO = 2.0
"""Speeds and accelerations are told from this ratio on: the clock is then badly off."""
RETRACT_RATIO, RETRACT_MM = 2.0, 0.5
KEPT_SHARE = 0.2
"""Of the filament fed, what stays out in any print; where steps are read as places, none does."""


def stated_findings(job: Job) -> list[Finding]:
    """Where the job's own statements contradict the profile."""
    stated = job.stated
    contradictions = [found for check in CHECKS for found in check(stated, job)]
    return [
        Finding(code, str(_where(job, setting)), text) for code, setting, text in contradictions
    ]


def refuse_job(job: Job, *, is_whole: bool = False) -> None:
    """Stop before blocks are made that would be wrong.

    Parameters
    ----------
    is_whole : the person says that the job is whole, whatever it looks like

    Raises
    ------
    GcodeError
        It is cut off, or counts filament in another way than the profile and its own commands.
    """
    if not is_whole:
        refuse_cut(job)
    stated = job.stated
    _refuse_other_unit(job, stated)
    _refuse_other_e_mode(job, stated)


def _where(job: Job, setting: Setting) -> Where:
    return job.source.where(job.source.line_at(setting.offset))


# --- what is told


def _other_firmware(stated: Stated, job: Job) -> Iterator[Found]:
    flavour, machine = stated.flavour, job.profile.machine
    if flavour is None:
        return
    name, family = flavour.text.strip().lower(), machine.firmware
    wanted = (*FIRMWARES[family].flavours, (machine.sliced_for or "").lower())
    if name not in wanted:
        yield (
            "other-firmware",
            flavour,
            f"sliced for {name!r:.40}, but [machine] firmware is {family}: limits, waits and start "
            f"code may mean other things there; if meant so, set sliced_for = {name!r:.40}",
        )


def _other_bed(stated: Stated, job: Job) -> Iterator[Found]:
    """Told where it matters: the head parks or presses past the bed that the job was sliced for, or
    the job prints past the profile's."""
    bed, setting, profile = stated.bed_mm, stated.bed, job.profile
    if bed is None or setting is None:
        return
    moves, rows = job.moves, job.moves.prints
    spots = [(profile.park.x_mm, profile.park.y_mm), *trigger_path(profile)]
    at_x, at_y = zip(*spots, strict=True)
    axes = (
        ("x", bed[0], profile.machine.x_mm, at_x, moves.x_mm[rows]),
        ("y", bed[1], profile.machine.y_mm, at_y, moves.y_mm[rows]),
    )
    told = []
    for axis, stated_mm, reach_mm, goes_mm, printed_mm in axes:
        slack = BED_SLACK * (stated_mm[1] - stated_mm[0])
        low, high = stated_mm[0] - slack, stated_mm[1] + slack
        past = [at for at in goes_mm if not low <= at <= high]
        prints_past = bool(printed_mm.min() < reach_mm[0] or printed_mm.max() > reach_mm[1])
        if (past or prints_past) and stated_mm != tuple(reach_mm):
            told.append(
                f"from {_span(stated_mm)} in {axis.upper()}, but [machine] {axis}_mm is "
                f"{_span(reach_mm)} and a pose goes to {(past or goes_mm)[-1]:g}"
            )
    if stated.bed_form == "round" and not profile.machine.round:
        sides = {"x_mm": bed[0], "y_mm": bed[1], "round": True}
        disc = profile.machine.model_copy(update=sides)
        past_rim = [spot for spot in spots if not disc.reaches(*spot)]
        if past_rim:
            text = (
                f"sliced for a round bed, and a pose goes to X{past_rim[0][0]:g} "
                f"Y{past_rim[0][1]:g}, past its edge; set [machine] round = true and park inside"
            )
            yield "other-bed", setting, text
    if told:
        yield (
            "other-bed",
            setting,
            f"sliced for a bed {'; '.join(told)}: is it the right profile?",
        )


def _other_height(stated: Stated, job: Job) -> Iterator[Found]:
    """Told where a block of this job goes higher than the lower of the two."""
    height, top = stated.height_mm, job.profile.machine.z_mm[1]
    if height is None or stated.height is None:
        return
    reach = float(job.layers.z_mm.max()) + job.profile.park.clear_mm
    if height != top and reach > min(height, top):
        text = (
            f"sliced for a height of {height:g} mm, but [machine] z_mm ends at {top:g}, and the "
            f"head goes up to {reach:g}"
        )
        yield "other-height", stated.height, text


def _other_filament(stated: Stated, job: Job) -> Iterator[Found]:
    stated_mm, ours = stated.filament_mm, job.profile.machine.filament_mm
    if stated_mm is not None and stated.filament and abs(stated_mm - ours) > 0.3:
        text = (
            f"sliced for filament of {stated_mm:g} mm, but [machine] filament_mm is {ours:g}: "
            "volumes and widths of the printed lines come out wrong"
        )
        yield "other-filament", stated.filament, text


def _other_retraction(stated: Stated, job: Job) -> Iterator[Found]:
    stated_mm, wish = stated.retract_mm, job.profile.retract
    if stated_mm is None or stated.retract is None or wish.by == "firmware":
        return
    if wish.length_mm == "job":
        return
    ours = wish.stroke_mm
    longer, shorter = max(stated_mm, ours), min(stated_mm, ours)
    if longer - shorter > RETRACT_MM and longer > RETRACT_RATIO * shorter:
        text = (
            f"sliced with a retraction of {stated_mm:g} mm, but [retract] length_mm is {ours:g}: "
            f"the nozzle may {'ooze' if ours < stated_mm else 'jam'} at the park point"
        )
        yield "other-retraction", stated.retract, text


def _other_limits(stated: Stated, job: Job) -> Iterator[Found]:
    """Accelerations and top speeds: they change the clock, never a block."""
    machine, texts = job.profile.machine, []
    usage = stated.first("machine_limits_usage")
    if usage is not None and usage.text != "emit_to_gcode":
        return  # only for the host's own estimate
    pairs = {key: (value, getattr(machine, key)) for key, value in stated.accelerations().items()}
    for key, axes in stated.limits().items():
        ours = getattr(machine, key)
        pairs |= {f"{key} {axis}": (axes[axis], getattr(ours, axis)) for axis in axes}
    for key, (theirs, ours) in pairs.items():
        if ours is not None and not 1 / LIMIT_RATIO < theirs / ours < LIMIT_RATIO:
            texts.append(f"{key} {theirs:g} (profile: {ours:g})")
    if texts:
        keys = [key for key in stated.settings if key.startswith("machine_max_")]
        first = stated.first("machine_max_acceleration_extruding", "machine_max_feedrate_x", *keys)
        first = first or next(iter(stated.settings.values()))
        more = f" and {len(texts) - 3} more" if len(texts) > 3 else ""
        text = (
            f"sliced for {', '.join(texts[:3])}{more}: the print's time may be far off; correct "
            "[machine], or compare with plan --limits job"
        )
        yield "other-limits", first, text


CHECKS: tuple[Callable[[Stated, Job], Iterator[Found]], ...] = (
    _other_firmware,
    _other_bed,
    _other_height,
    _other_filament,
    _other_retraction,
    _other_limits,
)


def _span(pair: Range) -> str:
    return f"{pair[0]:g} to {pair[1]:g} mm"


# --- what is refused


def _refuse_other_unit(job: Job, stated: Stated) -> None:
    """E in mm3 by the job's settings and in mm by the profile, or the other way round."""
    said, setting = stated.is_volumetric, stated.volumetric
    profile = job.profile
    if said is None or setting is None or said == profile.machine.volumetric:
        return
    if any(modes.volumetric_mm > 0 for modes in job.read.others.modes):
        return  # M200 in the job itself decides
    if job.read.uses_fw_retract or profile.retract.by == "firmware":
        return  # no block writes E
    unit, ours = ("mm3", "mm") if said else ("mm", "mm3")
    raise GcodeError(
        _where(job, setting),
        f"{setting.key} = {setting.text:.20}: the job counts E in {unit}, the profile in {ours}, "
        "so each block would retract the wrong length",
        f"Set [machine] volumetric = {str(said).lower()}, or slice the model again",
    )


def _refuse_other_e_mode(job: Job, stated: Stated) -> None:
    """Steps of E by the job's settings, and no command that says so."""
    said, setting = stated.is_relative_e, stated.relative_e
    firmware, moves = FIRMWARES[job.profile.machine.firmware], job.moves
    first = int(moves.line_index[job.layers.first_move[0]])
    is_told = not {"M82", "M83"}.isdisjoint(job.read.others.command)
    if is_told or job.read.e_letter != "E":
        return
    if not job.read.state_at(first).modes.e_absolute(firmware):
        return
    steps_mm = (moves.e_step_mm[part] for part in parts_of(len(moves)))
    sums_mm = [(float(some.sum()), float(some.clip(0).sum())) for some in steps_mm]
    kept, forth = (sum(each) for each in zip(*sums_mm, strict=True))
    if kept < KEPT_SHARE * forth:
        raise GcodeError(
            job.source.where(first),
            f"of {forth:.4g} mm that E feeds {forth - kept:.4g} mm go back, as where words count "
            "steps and are read as places, and the job says neither M82 nor M83",
            "Put M82 or M83 into the host's start code and slice the model again",
        )
    if said and setting is not None:
        raise GcodeError(
            _where(job, setting),
            f"{setting.key} = {setting.text:.20}: the job counts E in steps, but never says M83, "
            "and the firmware begins with absolute E",
            "Put M83 into the host's start code and slice the model again",
        )
