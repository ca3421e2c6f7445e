"""The commands of `capturehook trigger` for phones, coils, fingers and plates."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from capturehook.cli import show
from capturehook.cli.options import JSON, NEW_FILE, asked_options, option, svg_path, takes
from capturehook.rig import drive, light_off, phone, plate
from capturehook.rig.advice import Wiring, as_plain


def shared_options(command: Any) -> Any:
    """Options that every kind has."""
    drawing = option("--drawing", "Write the circuit as SVG.", NEW_FILE, callback=svg_path)
    return takes(drawing)(JSON(command))


def show_advice(
    advice: Any,
    drawing: Path | None,
    draw: Callable[[Any], str],
    as_json: bool,
    facts: show.Facts,
) -> int:
    if drawing is not None:
        from capturehook.files import write_atomically

        write_atomically(drawing, draw(advice).encode())
    if as_json:
        data = as_plain(advice)
        if "facts" in data:
            data["facts"] = [*data["facts"].items()]
        show.emit_json(data)
        return show.exit_code(advice.findings)
    show.show_facts(facts)
    show.show_list("In this order", advice.steps, numbered=True)
    show.show_profile_lines(getattr(advice, "profile", ()))
    show.show_list("Take care", (caution.text for caution in advice.cautions))
    if drawing is not None:
        show.say()
        show.say(f"Circuit drawn in {drawing}")
    show.show_findings(advice.findings)
    return show.exit_code(advice.findings)


def _wiring_command(
    name: str, record: type, advise: Callable[[Any], Wiring], text: str, example: tuple[str, str]
) -> click.Command:
    """A kind of wiring: its options are what ``record`` asks for."""
    told, words = example

    def command(drawing: Path | None, as_json: bool, **given: Any) -> int:
        from capturehook.rig.drawings import draw_wiring

        wiring = advise(record(**given))
        return show_advice(wiring, drawing, draw_wiring, as_json, wiring.facts)

    help = f"{text}\n\n\b\nExample: {told}\n  capturehook trigger {name} {words}"
    return click.command(name, help=help)(asked_options(record)(shared_options(command)))


WIRING_COMMANDS = (
    _wiring_command(
        "phone-cable", phone.PhoneCable, phone.advise_phone_cable,
        "A phone, through the button of a wired headset.",
        ("volume up, a microphone of 5 kohm, a reed relay", "--mic-ohm 5000 --by relay"),
    ),
    _wiring_command(
        "remote", phone.Remote, phone.advise_remote,
        "A phone or a camera, through the bridged key of a wireless remote.",
        ("2.9 V across the key, an isolator, a frame every 40 s",
         "--by opto --key-v 2.9 --gap-s 40"),
    ),
    _wiring_command(
        "relay", drive.Relay, drive.advise_relay,
        "A relay between an output and the camera's socket.",
        ("a 12 V relay of 960 ohm on a 24 V output", "--supply-v 24 --coil-v 12 --coil-ohm 960"),
    ),
    _wiring_command(
        "solenoid", drive.Solenoid, drive.advise_solenoid,
        "A solenoid that presses a button.",
        ("12 V, 24 ohm, bears 1.5 W for ever, 3 N at the stroke used",
         "--supply-v 12 --coil-ohm 24 --cont-w 1.5 --pull-n 3"),
    ),
    _wiring_command(
        "servo", drive.Servo, drive.advise_servo,
        "A hobby servo that presses a button or taps the glass.",
        ("a turn of 30 degrees, a horn of 15 mm", "--press-deg 30 --horn-mm 15"),
    ),
    _wiring_command(
        "light-off", light_off.LightOff, light_off.advise_light_off,
        "A light sensor that fires when the lamp goes off, after a delay.",
        ("plate at rest 7 s after light-off, next light after 14 s",
         "--lit-ohm 900 --dark-ohm 50000 --rest-s 7 --next-on-s 14"),
    ),
    _wiring_command(
        "plate", plate.Plate, plate.advise_plate,
        "A switch that the resin plate presses at the top.",
        ("closes at 120 mm, top at 121 mm, 180 mm/min, axis of 165 mm",
         "--contact-mm 120 --top-mm 121 --axis-mm 165 --speed-mm-min 180"),
    ),
)  # fmt: skip
