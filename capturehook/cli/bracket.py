"""`capturehook bracket`: printable parts of the rig, with drawing, hardware and profile lines."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from capturehook.cli import show
from capturehook.cli.options import JSON, NEW_FILE, asked_options, option, profile_option, takes
from capturehook.errors import Finding
from capturehook.rig import bracket_clips as clips
from capturehook.rig import bracket_switch as switches

if TYPE_CHECKING:
    from capturehook.rig.bracket import Bracket


@click.group("bracket", short_help="Printable parts: for a switch, a light sensor, a phone.")
def bracket_command() -> None:
    """Printable parts of the rig: STL or 3MF, a dimensioned drawing, and profile lines.

    \b
    Example: a lever switch on two slots 20 mm apart
      capturehook bracket switch --switch 19.8-lever -o bracket.stl
    """


_OUT = option(
    "-o --out", "The part: .stl or .3mf; its drawing ends in .svg.", NEW_FILE, required=True
)


@bracket_command.command("switch")
@asked_options(switches.SwitchBracket)
@takes(_OUT)
@profile_option("Profile whose [trigger] says where.")
@JSON
def switch_bracket_command(out: Path, profile: str | None, as_json: bool, **given: Any) -> int:
    """A yielding mount for a switch that the carriage presses.

    \b
    Example:  capturehook bracket switch -p mine.toml --switch 19.8-lever -o bracket.stl
    """
    made = switches.switch_bracket(switches.SwitchBracket(**given))
    return _write(made, out, as_json, _place_of(profile))


@bracket_command.command("sensor")
@asked_options(clips.SensorBracket)
@takes(_OUT)
@profile_option("Profile whose [resin.sensor] edge and delay stay.")
@JSON
def sensor_bracket_command(out: Path, profile: str | None, as_json: bool, **given: Any) -> int:
    """A clip with a hood for a light sensor at a resin printer's lamp frame.

    \b
    Example:  capturehook bracket sensor --frame-mm 3 -o sensor.stl
    """
    made = clips.sensor_bracket(clips.SensorBracket(**given))
    if profile is not None:
        from capturehook.resin.job import load_resin_profile

        sensor = load_resin_profile(profile)[1].sensor
        lines = (f'edge = "{sensor.edge}"', f"delay_ms = {sensor.delay_ms:g}")
        made = replace(made, profile=("[resin.sensor]", *lines))
    return _write(made, out, as_json, ())


@bracket_command.command("tapper")
@asked_options(clips.TapperBracket)
@takes(_OUT)
@profile_option("Profile whose firmware turns the servo.")
@JSON
def tapper_bracket_command(out: Path, profile: str | None, as_json: bool, **given: Any) -> int:
    """A servo over the shutter button at a phone's edge, with a phone clamp.

    \b
    Example:  capturehook bracket tapper --phone-mm 9 --horn-mm 18 -o tapper.3mf
    """
    made = clips.tapper_bracket(clips.TapperBracket(**given))
    if profile is not None:
        from capturehook.catalog import FIRMWARES
        from capturehook.profile import load_profile

        family = load_profile(profile).machine.firmware
        known = FIRMWARES[family].own_commands
        if "M280" not in known:
            own = " or ".join(sorted(known.keys() & {"SET_SERVO", "M340"}))
            cure = f"say it by {own}" if own else "turn it by a small controller on a pin"
            text = f"{family} has no M280, so these lines do not turn the servo: {cure}"
            made = replace(made, findings=(*made.findings, Finding("servo-command", profile, text)))
    return _write(made, out, as_json, ())


def _place_of(profile: str | None) -> tuple[str, ...]:
    """Where the contact shall close, as the profile has it."""
    if profile is None:
        return ()
    from capturehook.profile import load_profile

    trigger = load_profile(profile).trigger
    place = trigger.x_mm if trigger.axis == "x" else trigger.y_mm
    if place is None:
        return ()
    return (f"{trigger.axis}_mm = {place:g}   # aim there; `trial press` finds the true place",)


def _write(made: Bracket, out: Path, as_json: bool, more: tuple[str, ...]) -> int:
    from capturehook.files import write_atomically
    from capturehook.rig.bracket_drawing import draw_bracket
    from capturehook.rig.solid import as_3mf, as_printed, as_stl, build

    writers = {".stl": as_stl, ".3mf": as_3mf}
    if out.suffix.lower() not in writers:
        raise click.UsageError(f"{out.name!r} ends in neither .stl nor .3mf.")
    solid = build(made)
    drawing = out.with_suffix(".svg")
    write_atomically(out, writers[out.suffix.lower()](as_printed(made, solid)))
    write_atomically(drawing, draw_bracket(made, solid).encode())
    profile = (*made.profile, *more)
    if as_json:
        show.emit_json(
            {
                "schema": 1,
                "path": str(out),
                "drawing": str(drawing),
                "volume_mm3": solid.volume(),
                "numbers": made.numbers,
                "hardware": list(made.hardware),
                "profile": list(profile),
                "findings": [one.as_json() for one in made.findings],
            }
        )
        return show.exit_code(made.findings)
    show.say(f"{out}: {solid.volume() / 1000:.1f} cm3; drawing in {drawing}")
    show.show_facts(made.facts)
    show.show_list("Hardware", made.hardware)
    show.show_list("In this order", made.steps, numbered=True)
    show.show_profile_lines(profile)
    show.show_list("Take care", (caution.text for caution in made.cautions))
    show.show_findings(made.findings)
    return show.exit_code(made.findings)
