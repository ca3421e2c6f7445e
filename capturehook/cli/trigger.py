"""`capturehook trigger`: wiring and sizing of what closes the camera's release."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from capturehook.cli.trigger_wiring import WIRING_COMMANDS, shared_options, show_advice
from capturehook.rig.trigger_advice import LEAST_MA

if TYPE_CHECKING:
    from capturehook.rig.light_advice import LightAdvice
    from capturehook.rig.trigger_advice import ContactAdvice, OptoAdvice, Socket

_Function = Callable[..., Any]


@click.group("trigger", short_help="Wiring advice and sizing for what fires the camera.")
def trigger_command() -> None:
    """Wiring advice and sizing: contacts, isolators, relays, light sensors, phones, fingers.

    \b
    Example: a light sensor that reads 50 kohm covered and 900 ohm lit at 40 mm
      capturehook trigger light --covered-ohm 50000 --lit 40 900 --fires-ohm 1500 --quiet-ohm 4000
    """


for _command in WIRING_COMMANDS:
    trigger_command.add_command(_command)


def _socket_options(function: _Function) -> _Function:
    for option in (
        click.option("--open-v", type=float, help="Measured, tip to sleeve, nothing joined."),
        click.option("--line-ma", type=float, help="Measured, tip to sleeve through a meter."),
        click.option("--hold-ms", type=float, help="How long it is held closed (200)."),
        click.option("--min-hold-ms", type=float, help="Shortest press the camera takes (100)."),
        click.option(
            "-p",
            "--profile",
            metavar="PROFILE",
            help="Profile with [trigger] hold_ms, [camera] min_hold_ms.",
        ),
    ):
        function = option(function)
    return function


@trigger_command.command("contact")
@_socket_options
@click.option(
    "--bounce-ms", type=float, default=10.0, show_default=True, help="How long the contact bounces."
)
@click.option(
    "--contact",
    type=click.Choice(list(LEAST_MA)),
    default="gold",
    show_default=True,
    help="Contact material.",
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
    return show_advice(advice, drawing, draw_contact, as_json, _contact_facts)


@trigger_command.command("opto")
@_socket_options
@click.option("--supply-v", type=float, required=True, help="Of the output: 3.3, 5, 12 or 24.")
@click.option("--led-ma", type=float, help="Wanted LED current (5 up to 3.6 V, else 10).")
@click.option("--led-v", type=float, default=1.2, show_default=True, help="Forward voltage.")
@click.option(
    "--ctr",
    "transfer_ratio",
    type=float,
    default=0.5,
    show_default=True,
    help="Output current over LED current.",
)
@click.option("--pin-max-ma", type=float, help="What the board's manual allows for the pin.")
@shared_options
def opto_command(
    profile: str | None,
    open_v: float | None,
    line_ma: float | None,
    hold_ms: float | None,
    min_hold_ms: float | None,
    drawing: Path | None,
    as_json: bool,
    **drive: Any,
) -> int:
    """An opto-isolator from an output pin to the socket.

    \b
    Example: an output of 24 V
      capturehook trigger opto --supply-v 24 --drawing opto.svg
    """
    from capturehook.rig.drawings import draw_opto
    from capturehook.rig.trigger_advice import OptoDrive, advise_opto

    socket = _socket(
        profile,
        {"open_v": open_v, "line_ma": line_ma, "hold_ms": hold_ms, "min_hold_ms": min_hold_ms},
    )
    return show_advice(
        advise_opto(OptoDrive(**drive), socket), drawing, draw_opto, as_json, _opto_facts
    )


@trigger_command.command("light")
@click.option("--covered-ohm", type=float, required=True, help="Read with the light off.")
@click.option(
    "--lit",
    nargs=2,
    type=float,
    multiple=True,
    required=True,
    metavar="MM OHM",
    help="Read with the light on; again elsewhere for gamma.",
)
@click.option("--fires-ohm", type=float, required=True, help="Largest that always releases.")
@click.option("--quiet-ohm", type=float, required=True, help="Smallest that never releases.")
@click.option("--gamma", type=float, help="Of the cell, if known (0.7).")
@click.option("--panel-mm", type=float, help="Size of a light that is not small.")
@click.option(
    "--rise-ms",
    type=float,
    default=30.0,
    show_default=True,
    help="Of the cell, when it gets light.",
)
@click.option(
    "--fall-ms", type=float, default=30.0, show_default=True, help="Of the cell, when it gets dark."
)
@click.option("--light-on-s", type=float, help="Shortest exposure of a layer.")
@click.option("--light-off-s", type=float, help="Shortest dark time between layers.")
@click.option("--min-hold-ms", type=float, help="Shortest press the camera takes (100).")
@click.option("-p", "--profile", metavar="PROFILE", help="Profile with [resin.sensor] edge.")
@click.option("--margin", type=float, default=1.5, show_default=True, help="Wanted, both ways.")
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
    return show_advice(advise_light(sensor, fires_at), drawing, draw_light, as_json, _light_facts)


def _edge_of(wish: str | None) -> str:
    """Which change of the light fires, as the profile has it."""
    from capturehook.profile import load_profile

    resin = load_profile(wish).resin if wish is not None else None
    return "light-on" if resin is None else resin.sensor.edge


def _socket(wish: str | None, options: dict[str, Any]) -> Socket:
    """What the profile says about the press, changed by what was given."""
    from capturehook.profile import load_profile
    from capturehook.rig.trigger_advice import Socket, socket_from_profile

    base = socket_from_profile(load_profile(wish)) if wish is not None else Socket()
    return replace(base, **{key: value for key, value in options.items() if value is not None})


def _contact_facts(advice: ContactAdvice) -> list[tuple[str, str]]:
    return [
        ("socket", "tip release, ring focus, sleeve common (common, not certain)"),
        ("measured", _measured(advice.socket)),
        ("press", f"held {advice.socket.hold_ms:g} ms, bounce {advice.bounce_ms:g} ms"),
    ]


def _opto_facts(advice: OptoAdvice) -> list[tuple[str, str]]:
    drive = advice.drive
    e24 = f" (E24: {advice.e24_ohm:g})" if advice.e24_ohm != advice.e12_ohm else ""
    return [
        (
            "output",
            f"{drive.supply_v:g} V for {drive.wanted_ma:g} mA through a {drive.led_v:g} V LED",
        ),
        (
            "resistor",
            f"{advice.exact_ohm:.0f} ohm by Ohm's law; take {advice.e12_ohm:g} ohm{e24}: "
            f"{advice.led_ma:.1f} mA, {advice.power_w:.3f} W, a {advice.rating_w:g} W part",
        ),
        (
            "camera side",
            f"can sink {advice.sink_ma:.1f} mA (transfer ratio {drive.transfer_ratio * 100:.0f} "
            f"%), the camera gives {advice.line_ma:g} mA; closed it looks like "
            f"{advice.closed_ohm:.0f} ohm",
        ),
        ("measured", _measured(advice.socket)),
        ("press", f"held {advice.socket.hold_ms:g} ms"),
    ]


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
    fixed = advice.shift
    facts = [
        (
            "fires",
            f"{advice.fires}: lit {sensor.lit_ohm:g} ohm at {sensor.lit_mm:g} mm, the camera fires "
            f"at {sensor.fires_ohm:g} ohm and below (margin {advice.fires_margin:.2f})",
        ),
        (
            "re-arms",
            f"{advice.rearms}: covered {sensor.covered_ohm:g} ohm, quiet at {sensor.quiet_ohm:g} "
            f"ohm and above (margin {advice.rearms_margin:.2f})",
        ),
        ("reach", f"{reach} (gamma {advice.gamma:.2f} {gamma})"),
        ("time", _times(advice)),
    ]
    if fixed is not None:
        place = "in series with" if fixed.how == "series" else "in parallel with"
        facts.append(
            (
                "resistor",
                f"{fixed.ohm:g} ohm {place} the sensor gives {fixed.lit_ohm:.0f} ohm lit and "
                f"{fixed.covered_ohm:.0f} ohm covered: both margins met",
            )
        )
    return [*facts, *(("note", note) for note in advice.notes)]


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
