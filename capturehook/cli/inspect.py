"""`inspect`: what a job is."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from capturehook.cli import show
from capturehook.cli.job import JOB, PLATE, read_job_file
from capturehook.cli.options import JSON, PROFILE, takes

if TYPE_CHECKING:
    from capturehook.report.survey import Survey


@click.command("inspect", short_help="Say what a job is, and warn of what to look at.")
@JOB
@PROFILE
@takes(PLATE)
@JSON
def inspect_command(job: str, profile: str | None, plate: int | None, as_json: bool) -> int:
    """Say what JOB is: marks and evidence, layers, extents, modes, filament, time, warnings.

    \b
    capturehook inspect lighthouse.gcode -p heron
    """
    from capturehook.profile import load_profile
    from capturehook.profile.load import unnamed_profile
    from capturehook.read.job import read_job
    from capturehook.report.survey import survey_job

    assumed = profile is None and unnamed_profile() is None
    data, path = read_job_file(job, plate)
    record = read_job(data, path, load_profile("heron" if assumed else profile))
    survey = survey_job(record)
    if as_json:
        show.emit_json(survey.as_json())
    else:
        _show_survey(survey)
        if assumed:
            show.note(
                "No profile was given: read as the starter profile heron would "
                "(name yours with -p)."
            )
    return show.exit_code(survey.findings)


def _show_survey(survey: Survey) -> None:
    layers = survey.layers
    facts = [
        ("job", _job_text(survey)),
        ("layers", _layers_text(layers)),
        ("objects", f"{layers['objects']}" + (" (one at a time)" if layers["objects"] > 1 else "")),
        ("printed", _extents_text(survey.extents)),
        ("modes", _modes_text(survey.modes)),
        ("filament", _filament_text(survey.filament, by_firmware=survey.modes["firmware_retract"])),
        ("print time", _times_text(survey)),
        *(("plug-in", str(one)) for one in survey.plugins),
    ]
    for name, text in facts:
        show.say(f"{name:<11}{text}")
    for mark in survey.marks:
        used = "used" if mark["used"] else "not used"
        show.say(f"{'marks':<11}{mark['kind']} ({used}): {mark['evidence']}")
    show.show_findings(survey.findings)


def _job_text(survey: Survey) -> str:
    job = survey.job
    lines = f"{job['lines']:,} lines ({job['line_end']})"
    return f"{job['path']}: {job['bytes']:,} bytes, {lines}, {job['moves']:,} moves"


def _layers_text(layers: dict[str, Any]) -> str:
    low, high = layers["height_mm"]
    height = f"{low:g} mm" if low == high else f"{low:g} to {high:g} mm"
    reach = f"Z {layers['z_first_mm']:g} to {layers['z_top_mm']:g} mm"
    return f"{layers['count']} of {height}, told by {layers['from']}; {reach}"


def _extents_text(extents: dict[str, Any]) -> str:
    ends = ((axis, *extents[f"{axis}_mm"]) for axis in "xyz")
    return " ".join(f"{axis.upper()} {low:g} to {high:g}" for axis, low, high in ends)


def _modes_text(modes: dict[str, Any]) -> str:
    extruder = f"{modes['extruder_axis']} {modes['extruder']}"
    arcs = f", {modes['arcs']} arcs" if modes["arcs"] else ""
    firmware = ", firmware retraction" if modes["firmware_retract"] else ""
    return f"positions {modes['positions']}, {extruder}, {modes['units']}{arcs}{firmware}"


def _filament_text(filament: dict[str, Any], *, by_firmware: bool) -> str:
    longest = f"{filament['longest_retract_mm']:g} mm"
    if by_firmware:
        longest = "by the firmware"
    return (
        f"{filament['length_mm']:,.1f} mm ({filament['volume_cm3']:g} cm3); "
        f"longest retraction {longest}; "
        f"retracted at {filament['retracted_at_layer_changes']} layer changes"
    )


def _times_text(survey: Survey) -> str:
    times = survey.times
    text = show.duration(times["print_s"])
    if times["startup_s"]:
        startup = show.duration(times["startup_s"])
        text += f", {startup} of it for heating and homing as the profile says"
    if times["host_estimate_s"] is not None:
        text += f" (the job's own estimate: {show.duration(times['host_estimate_s'])})"
    return text
