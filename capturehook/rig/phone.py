"""A phone as camera: through its headset cable, or through a wireless remote's key.

In: what was measured at the microphone line or at the key. Out: Wiring.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from capturehook.errors import Finding
from capturehook.physics import circuit, coils
from capturehook.rig.advice import PHONE, REMOTE, Wiring, asked, check_asked

FUNCTIONS_OHM = {"play": 0.0, "volume-up": 240.0, "volume-down": 470.0, "voice": 135.0}
"""Microphone to ground while the button is down (Android "3.5 mm headset: accessory
specification", functions A to D, each +-1 %)."""
TOLERANCE = 0.01
PULSE_MS = (60.0, 150.0)
"""Shorter is missed, longer starts a burst or a video (common practice, no source)."""
DROP_V = {"contact": 0.0, "relay": 0.0, "photo-mos": 0.0, "opto": 0.1}
"""Left across the closed part (PC817 datasheet: 0.1 V typical, 0.2 V at most)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PhoneCable:
    """A button of a wired headset."""

    function: str = asked("Which button.", "volume-up", choices=tuple(FUNCTIONS_OHM))
    mic_ohm: float = asked(
        "Microphone to ground, measured or fitted (5000).", 5000.0, low=1000, high=100_000
    )
    by: str = asked("What closes it.", "contact", choices=tuple(DROP_V))
    on_ohm: float = asked("Resistance of what closes it, on.", 0.0, high=1000)
    hold_ms: float = asked("How long it is held closed (100).", 100.0, high=60_000)

    def __post_init__(self) -> None:
        check_asked(self)


def _trigger_lines(by: str, hold_ms: float) -> tuple[str, ...]:
    """A contact is pressed by the head, which stays until the exposure is over."""
    if by == "contact":
        return ("[trigger]", 'by = "button"   # the head presses it, for lag and exposure')
    return ("[trigger]", 'by = "pin"      # an output drives it', f"hold_ms = {hold_ms:.0f}")


def advise_phone_cable(cable: PhoneCable) -> Wiring:
    """The resistor of the button, and whether the phone will take it for the right one."""
    total_ohm = FUNCTIONS_OHM[cable.function]
    exact_ohm = coils.headset_resistor_ohm(total_ohm, cable.mic_ohm)
    wanted_ohm = max(0.0, exact_ohm - cable.on_ohm)
    parts = best_pair_ohm(wanted_ohm) if wanted_ohm > 1 else (0.0, 0.0)
    built_ohm = sum(parts) + cable.on_ohm
    together_ohm = circuit.parallel_ohm(built_ohm, cable.mic_ohm) if built_ohm else 0.0
    seen_ohm = coils.seen_through_drop_ohm(together_ohm, DROP_V[cable.by])
    line_ma = 2.2 / (2200 + total_ohm) * 1000
    resistors = " + ".join(f"{one:g}" for one in parts if one) or "none: a bare contact"
    return Wiring(
        kind="phone-cable",
        facts={
            "button": f"{cable.function}: {total_ohm:g} ohm from microphone to ground",
            "resistor": f"{exact_ohm:.1f} ohm beside a microphone of {cable.mic_ohm:g} ohm; take "
            f"{resistors} in series",
            "phone sees": f"{seen_ohm:.1f} ohm through {cable.by}",
            "current": f"{line_ma:.2f} mA; small gold contacts are made for 1 mA and more",
            "lag": "0.05 to 0.3 s (from memory); measure yours, a buffer may even look back",
        },
        steps=_CABLE_STEPS,
        findings=tuple(_cable_findings(cable, total_ohm, seen_ohm)),
        profile=(
            *_trigger_lines(cable.by, cable.hold_ms),
            "[camera]",
            "lag_ms = 300    # the slowest you measure",
        ),
        cautions=PHONE,
        numbers={
            "exact_ohm": exact_ohm,
            "built_ohm": built_ohm,
            "seen_ohm": seen_ohm,
            "line_ma": line_ma,
        },
    )


def best_pair_ohm(wanted_ohm: float) -> tuple[float, float]:
    """One or two E24 values in series nearest to a resistance; one where it is within 0.5 %."""
    first = circuit.preferred_ohm(wanted_ohm, circuit.E24, "down")
    one = circuit.preferred_ohm(wanted_ohm, circuit.E24)
    if abs(one - wanted_ohm) <= 0.005 * wanted_ohm or wanted_ohm - first < 0.1:
        return (one, 0.0)
    ladder = [step * 10.0**decade for decade in range(-2, 6) for step in circuit.E24]
    pairs = [
        (large, circuit.preferred_ohm(wanted_ohm - large, circuit.E24))
        for large in ladder
        if wanted_ohm / 2 <= large < wanted_ohm - 0.1
    ]
    return min(pairs, key=lambda pair: (round(abs(sum(pair) - wanted_ohm), 2), -pair[0]))


_LONG_PRESS = (
    "Hold it for a second too: a phone that then starts a burst or a video wants a relay at an "
    "output; the switch that the head presses stays closed for lag and exposure."
)
_CABLE_STEPS = (
    "A 4-pole 3.5 mm plug: tip left, ring right, ring ground, sleeve microphone (CTIA order; old "
    "OMTP phones swap the last two). Ground is the ring next to the sleeve.",
    "Measure with a headset of the phone's own: microphone to ground, no button pressed. Without a "
    "microphone many phones see no headset: fit the resistor given as --mic-ohm (common practice).",
    "Solder the button's resistor in series with the contact, from microphone to ground. Polarity: "
    "the microphone is plus, about 2.2 V.",
    "Press by hand, camera app open: one press, one picture. Volume up is the shutter in common "
    "camera apps; on some it is an option. Phones with their own button protocol need its cable.",
    _LONG_PRESS,
    "Phone: fixed focus and exposure, flash off, no burst, no sleep, flight mode, on its charger.",
)


def _cable_findings(cable: PhoneCable, total_ohm: float, seen_ohm: float) -> Iterator[Finding]:
    if abs(seen_ohm - total_ohm) > max(TOLERANCE * total_ohm, 5.0):
        yield Finding(
            "headset-button",
            "phone",
            f"the phone sees {seen_ohm:.0f} ohm instead of {total_ohm:g}: another button, or "
            "none. Close it with a bare contact, a reed relay or a photo-MOS relay",
        )
    low_ms, high_ms = PULSE_MS
    if not low_ms <= cable.hold_ms <= high_ms:
        yield Finding(
            "phone-hold",
            "hold",
            f"{cable.hold_ms:g} ms is {'missed' if cable.hold_ms < low_ms else 'long'}: phones "
            f"take {low_ms:g} to {high_ms:g} ms for a press; longer starts a burst or a video",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Remote:
    """A wireless remote whose key is bridged."""

    by: str = asked("What bridges the key.", "relay", choices=("contact", "relay", "opto"))
    key_v: float = asked("Across the key, plus lead on the higher side (3).", 3.0, low=-30, high=30)
    pull_kohm: float = asked("What pulls the key's line up (47).", 47.0, low=0.01, high=10_000)
    hold_ms: float = asked("How long it is held closed (100).", 100.0, high=60_000)
    gap_s: float = asked("Longest time between two frames (60).", 60.0, high=1e5)
    sleep_s: float = asked("The remote sleeps after this (120).", 120.0, high=1e5)

    def __post_init__(self) -> None:
        check_asked(self)


def advise_remote(remote: Remote) -> Wiring:
    """Whether the key may be bridged like this, and whether the remote stays awake."""
    key_ma = abs(remote.key_v) / remote.pull_kohm
    return Wiring(
        kind="remote",
        facts={
            "key": f"{remote.key_v:g} V through about {remote.pull_kohm:g} kohm: {key_ma:.3f} mA",
            "bridged by": f"{remote.by}, {remote.hold_ms:g} ms",
            "awake": f"frames every {remote.gap_s:g} s, sleep after {remote.sleep_s:g} s",
            "lag": "0.1 to 0.5 s, seconds after sleep (from memory): measure, take the slowest",
        },
        steps=_REMOTE_STEPS,
        findings=tuple(_remote_findings(remote, key_ma)),
        profile=(
            *_trigger_lines(remote.by, remote.hold_ms),
            "[camera]",
            "lag_ms = 500    # the slowest you measure",
        ),
        cautions=REMOTE,
        numbers={"key_ma": key_ma},
    )


_REMOTE_STEPS = (
    "Take one that sends volume up, or a plain shutter key, and pair it with the phone first.",
    "Open it, cell in: measure the voltage across the key's two pads. Note which pad is higher.",
    "Solder two thin wires to the pads. Contact or relay: either way round. Opto-isolator: "
    "collector to the higher pad, emitter to the lower one.",
    "Tie the wires down before the pads: they tear off. Fresh cell before a long print.",
    _LONG_PRESS,
    "Press fifty times at the print's own pace and count the pictures.",
)


def _remote_findings(remote: Remote, key_ma: float) -> Iterator[Finding]:
    if remote.by == "opto" and remote.key_v < 0:
        yield Finding(
            "polarity",
            "key",
            f"{remote.key_v:g} V: the leads are the wrong way round for the isolator, which "
            "would stay open. Swap collector and emitter",
        )
    if remote.gap_s >= remote.sleep_s:
        yield Finding(
            "remote-sleeps",
            "awake",
            f"it sleeps after {remote.sleep_s:g} s and frames are up to {remote.gap_s:g} s "
            "apart: the first press only wakes it. Press twice, shoot more often, or take "
            "a cable",
        )
    if not PULSE_MS[0] <= remote.hold_ms <= 500:
        yield Finding("phone-hold", "hold", f"{remote.hold_ms:g} ms: press for 60 to 500 ms")
    if abs(remote.key_v) > 5.5 or key_ma > 10:
        yield Finding(
            "socket-voltage",
            "key",
            f"{remote.key_v:g} V and {key_ma:.2g} mA are no key of a coin cell (3 V, some ten "
            "microamperes): measure again, join nothing",
        )
