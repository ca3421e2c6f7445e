"""`capturehook trigger`: wiring and sizing of what closes the camera's release."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from capturehook.cli.options import asked_options, option, profile_option, takes
from capturehook.cli.trigger_wiring import WIRING_COMMANDS, shared_options, show_advice
from capturehook.rig.advice import Facts
from capturehook.rig.trigger_advice import LEAST_MA, OptoDrive, Socket

if TYPE_CHECKING:
    from capturehook.rig.light_advice import LightAdvice
    from capturehook.rig.trigger_advice import ContactAdvice, OptoAdvice


@click.group("trigger", short_help="Wiring advice and sizing for what fires the camera.")
def trigger_command() -> None:
    """Wiring advice and sizing: contacts, isolators, relays, light sensors, phones, fingers.

    \b
    Example: a light sensor that reads 50 kohm covered and 900 ohm lit at 40 mm
      capturehook trigger light --covered-ohm 50000 --lit 40 900 --fires-ohm 1500 --quiet-ohm 4000
    """


for _command in WIRING_COMMANDS:
    trigger_command.add_command(_command)


def _socket_options(command: Any) -> Any:
    profile = profile_option("Profile with [trigger] hold_ms, [camera] min_hold_ms.")
    return profile(asked_options(Socket, changes=True)(command))


@trigger_command.command("contact")
@_socket_options
@takes(
    option("--bounce-ms", "How long the contact bounces.", float, 10.0),
    option("--contact", "Contact material.", " ".join(LEAST_MA), "gold"),
)
@shared_options
def contact_command(
    profile: str | None,
    bounce_ms: float,
    contact: str,
    drawing: Path | None,
    as_json: bool,
    **socket: Any,
) -> int:
    """A switch across the remote-release socket.

    \b
    Example: measured 3.1 V open, held for 200 ms
      capturehook trigger contact --open-v 3.1 --hold-ms 200
    """
    from capturehook.rig.drawings import draw_contact
    from capturehook.rig.trigger_advice import advise_contact

    advice = advise_contact(_socket(profile, socket), bounce_ms, contact)
    return show_advice(advice, drawing, draw_contact, as_json, _contact_facts(advice))


@trigger_command.command("opto")
@_socket_options
@asked_options(OptoDrive)
@shared_options
def opto_command(profile: str | None, drawing: Path | None, as_json: bool, **given: Any) -> int:
    """An opto-isolator from an output pin to the socket.

    \b
    Example: an output of 24 V
      capturehook trigger opto --supply-v 24 --drawing opto.svg
    """
    from capturehook.rig.drawings import draw_opto
    from capturehook.rig.trigger_advice import advise_opto

    measured = {name: given.pop(name) for name in ("open_v", "line_ma", "hold_ms", "min_hold_ms")}
    advice = advise_opto(OptoDrive(**given), _socket(profile, measured))
    return show_advice(advice, drawing, draw_opto, as_json, _opto_facts(advice))


@trigger_command.command("light")
@takes(
    option("--covered-ohm", "Read with the light off.", float, required=True),
    option(
        "--lit",
        "Read with the light on; again elsewhere for gamma.",
        float,
        multiple=True,
        required=True,
        metavar="MM OHM",
    ),
    option("--fires-ohm", "Largest that always releases.", float, required=True),
    option("--quiet-ohm", "Smallest that never releases.", float, required=True),
    option("--gamma", "Of the cell, if known (0.7).", float),
    option("--panel-mm", "Size of a light that is not small.", float),
    option("--rise-ms", "Of the cell, when it gets light.", float, 30.0),
    option("--fall-ms", "Of the cell, when it gets dark.", float, 30.0),
    option("--light-on-s", "Shortest exposure of a layer.", float),
    option("--light-off-s", "Shortest dark time between layers.", float),
    option("--min-hold-ms", "Shortest press the camera takes (100).", float),
)
@profile_option("Profile with [resin.sensor] edge.")
@takes(option("--margin", "Wanted, both ways.", float, 1.5))
@shared_options
def light_command(
    profile: str | None,
    rise_ms: float,
    fall_ms: float,
    min_hold_ms: float | None,
    drawing: Path | None,
    as_json: bool,
    **rest: Any,
) -> int:
    """A light sensor across the socket: does it fire, does it re-arm, what to move.

    \b
    Example: 10 kohm covered, 100 ohm lit (a case from practice)
      capturehook trigger light --covered-ohm 10000 --lit 30 100 --fires-ohm 1500 --quiet-ohm 4000
    """
    from capturehook.rig.advice import check_number
    from capturehook.rig.drawings import draw_light
    from capturehook.rig.light_advice import advise_light
    from capturehook.rig.light_sensor import LightSensor

    press = _socket(profile, {"min_hold_ms": min_hold_ms})
    fires_at = _edge_of(profile)
    check_number("rise_ms", rise_ms, 0.001, 1e6)
    check_number("fall_ms", fall_ms, 0.001, 1e6)
    sensor = LightSensor(
        rise_s=rise_ms / 1000, fall_s=fall_ms / 1000, hold_s=press.min_hold_ms / 1000, **rest
    )
    advice = advise_light(sensor, fires_at)
    return show_advice(advice, drawing, draw_light, as_json, _light_facts(advice))


def _edge_of(wish: str | None) -> str:
    """Which change of the light fires, as the profile has it."""
    from capturehook.profile import load_profile

    resin = load_profile(wish).resin if wish is not None else None
    return "light-on" if resin is None else resin.sensor.edge


def _socket(wish: str | None, options: dict[str, Any]) -> Socket:
    """What the profile says about the press, changed by what was given."""
    from capturehook.profile import load_profile
    from capturehook.rig.trigger_advice import socket_from_profile

    base = socket_from_profile(load_profile(wish)) if wish is not None else Socket()
    return replace(base, **{key: value for key, value in options.items() if value is not None})


def _contact_facts(advice: ContactAdvice) -> Facts:
    return {
        "socket": "tip release, ring focus, sleeve common (common, not certain)",
        "measured": _measured(advice.socket),
        "press": f"held {advice.socket.hold_ms:g} ms, bounce {advice.bounce_ms:g} ms",
    }


def _opto_facts(advice: OptoAdvice) -> Facts:
    drive = advice.drive
    e24 = f" (E24: {advice.e24_ohm:g})" if advice.e24_ohm != advice.e12_ohm else ""
    return {
        "output": f"{drive.supply_v:g} V for {drive.wanted_ma:g} mA through a "
        f"{drive.led_v:g} V LED",
        "resistor": f"{advice.exact_ohm:.0f} ohm by Ohm's law; take {advice.e12_ohm:g} ohm"
        f"{e24}: {advice.led_ma:.1f} mA, {advice.power_w:.3f} W, a {advice.rating_w:g} W part",
        "camera side": f"can sink {advice.sink_ma:.1f} mA (transfer ratio "
        f"{drive.transfer_ratio * 100:.0f} %), the camera gives {advice.line_ma:g} mA; closed "
        f"it looks like {advice.closed_ohm:.0f} ohm",
        "measured": _measured(advice.socket),
        "press": f"held {advice.socket.hold_ms:g} ms",
    }


def _measured(socket: Socket) -> str:
    parts = [
        f"{value:g} {unit}"
        for value, unit in ((socket.open_v, "V open"), (socket.line_ma, "mA closed"))
        if value is not None
    ]
    return ", ".join(parts) if parts else "nothing yet: do steps 1 to 3 first"


def _light_facts(advice: LightAdvice) -> list[tuple[str, str]]:
    sensor = advice.sensor
    gamma = "known" if advice.gamma_measured else "assumed"
    reach = (
        f"fires with a margin of {sensor.margin:g} out to {advice.reach_mm:.0f} mm"
        if advice.reach_mm is not None
        else f"no place fires with a margin of {sensor.margin:g}"
    )
    facts = {
        "fires": f"{advice.fires}: lit {sensor.lit_ohm:g} ohm at {sensor.lit_mm:g} mm, the camera "
        f"fires at {sensor.fires_ohm:g} ohm and below (margin {advice.fires_margin:.2f})",
        "re-arms": f"{advice.rearms}: covered {sensor.covered_ohm:g} ohm, quiet at "
        f"{sensor.quiet_ohm:g} ohm and above (margin {advice.rearms_margin:.2f})",
        "reach": f"{reach} (gamma {advice.gamma:.2f} {gamma})",
        "time": _times(advice),
    }
    if advice.shift is not None:
        facts["resistor"] = f"{advice.shift}: both margins met"
    return [*facts.items(), *(("note", note) for note in advice.notes)]


def _times(advice: LightAdvice) -> str:
    """What never happens is said so, not shown as infinite."""
    fire = (
        f"fires {advice.fire_s * 1000:.0f} ms after the light comes on"
        if math.isfinite(advice.fire_s)
        else "does not surely fire at all"
    )
    rearm = (
        f"re-arms {advice.rearm_s * 1000:.0f} ms after it goes off, in practice a few times later"
        if math.isfinite(advice.rearm_s)
        else "does not surely re-arm at all"
    )
    return f"{fire}; {rearm}"
