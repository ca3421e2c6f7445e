"""Sizing a contact and an opto-isolator that close a camera's release.

In: what was measured at the socket and what drives it. Out: advice records with steps,
findings and cautions. The light sensor has a module of its own.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from capturehook.errors import CaptureHookError, Finding
from capturehook.model.profile import Profile
from capturehook.physics import circuit
from capturehook.rig.advice import CONTACT, OPTO, Caution, asked, check_asked, check_number

LED_V = 1.2
"""Forward voltage of an infrared LED in an opto-isolator (datasheets, from memory)."""
TRANSFER_RATIO = 0.5
"""Current transfer ratio to plan with: the bottom of 50 to 600 % (datasheets, from memory)."""
LINE_MA = 1.0
"""A camera's release line gives microamperes to 1 mA (common practice, no source; 68 uA at 3.3 V
was measured on two bodies of one maker, doc-diy.net)."""
SATURATED_V = 0.2
"""Voltage left over a conducting output transistor (datasheets, from memory)."""
BOUNCE_MS = 10.0
MOST_BOUNCE_MS = 20.0
"""Contacts bounce for 1 to 10 ms, seldom over 20 (common practice, no source)."""
FILTER_OHM, FILTER_F = 10_000.0, 1e-6
"""Of a bouncing contact before a controller's input: 10 ms."""
LEAST_MA = {"twin-crossbar": 0.01, "gold": 1.0, "silver": 100.0}
"""Least load of a contact at 5 V (datasheets: Omron G5V-2; SS-01 and G5V-1; D2FD-2)."""
MOST_MA = {"twin-crossbar": 1000.0, "gold": 100.0, "silver": 5000.0}
"""Most, at low voltage (same; 0.1 A for gold)."""
SOCKET_V = (1.5, 5.0)
"""Open voltage from a contact to the sleeve (common practice, no source)."""
SINK_MARGIN = 2.0
LED_MAX_MA = 20.0
"""A load an opto-isolator's LED bears for years; its limit is near 50 mA (from memory)."""

MEASURE = (
    "Camera on, plug in the socket, nothing joined: measure the voltage from tip to sleeve and "
    "from ring to sleeve. 1.5 to 5 V on both is normal.",
    "Touch ring to sleeve: the camera focuses. Touch tip to sleeve: it releases. If it is the "
    "other way round, or nothing happens, the socket is wired differently: stop and look it up.",
    "Measure the current from tip to sleeve with a meter in between: microamperes to 1 mA.",
)
"""First of all, for a tip, ring and sleeve socket (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Socket:
    """What was measured at the camera's release socket; None is "not measured"."""

    open_v: float | None = asked("Measured, tip to sleeve, nothing joined.", None, -1000, 1000)
    line_ma: float | None = asked("Measured, tip to sleeve through a meter.", None, 1e-6, 1e5)
    hold_ms: float = asked("How long it is held closed (200).", 200.0, high=600_000)
    min_hold_ms: float = asked("Shortest press the camera takes (100).", 100.0, high=60_000)
    """Shorter presses are missed by many cameras (common practice, no source)."""

    def __post_init__(self) -> None:
        check_asked(self)


def socket_from_profile(profile: Profile) -> Socket:
    """The press as the profile has it."""
    return Socket(hold_ms=float(profile.contact_ms), min_hold_ms=profile.camera.min_hold_ms)


def socket_findings(socket: Socket) -> Iterator[Finding]:
    """Warnings about the camera's side, whatever closes it."""
    low_v, high_v = SOCKET_V
    if socket.open_v is not None and -high_v <= socket.open_v < 0:
        yield Finding(
            "polarity",
            "socket",
            f"{socket.open_v:g} V: the tip is minus against the sleeve. A bare contact does "
            "not mind; an isolator's collector and emitter must be swapped",
        )
    elif socket.open_v is not None and not low_v <= socket.open_v <= high_v:
        yield Finding(
            "socket-voltage",
            "socket",
            f"{socket.open_v:g} V when open is outside {low_v:g} to {high_v:g} V: this may be "
            "no plain contact socket. Join nothing to it; look it up in the camera's manual",
        )
    if socket.hold_ms < socket.min_hold_ms:
        yield Finding(
            "hold-short",
            "hold",
            f"the contact is held for {socket.hold_ms:g} ms, the camera wants "
            f"{socket.min_hold_ms:g} ms; hold it for "
            f"{socket.min_hold_ms - socket.hold_ms:g} ms longer",
        )


def contact_findings(contact: str, line_ma: float) -> Iterator[Finding]:
    """Too much current for the contact, or so little that plain silver fails."""
    if line_ma > MOST_MA[contact]:
        yield Finding(
            "contact-overload",
            "contact",
            f"{line_ma:g} mA is over the {MOST_MA[contact]:g} mA of a {contact} contact: this "
            "is no camera line; measure again, join nothing",
        )
        return
    if contact == "silver":
        yield Finding(
            "contact-dry",
            "contact",
            f"plain silver is made for {LEAST_MA[contact]:g} mA and more; at {line_ma:g} mA "
            "films on it lose frames. Take gold, twin crossbar contacts, or a sealed reed",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ContactAdvice:
    """A switch across the socket."""

    socket: Socket
    bounce_ms: float
    debounce_ohm: float
    debounce_f: float
    debounce_ms: float
    steps: tuple[str, ...]
    findings: tuple[Finding, ...]
    measured: bool
    cautions: tuple[Caution, ...] = CONTACT


def advise_contact(
    socket: Socket, bounce_ms: float = BOUNCE_MS, contact: str = "gold"
) -> ContactAdvice:
    """Wiring of a switch from tip and ring to sleeve, and whether the press is long enough."""
    check_number("bounce_ms", bounce_ms, 0, 1000)
    findings = [*socket_findings(socket), *contact_findings(contact, socket.line_ma or LINE_MA)]
    filter_ms = circuit.time_constant_s(FILTER_OHM, FILTER_F) * 1000
    if bounce_ms > filter_ms:
        findings.append(
            Finding(
                "bounce-filter",
                "contact",
                f"{bounce_ms:g} ms of bounce outlast the {filter_ms:g} ms filter of a controller's "
                f"input: {FILTER_OHM / 1000:g} kohm with "
                f"{FILTER_F * 1e6 * bounce_ms / filter_ms:.2g} uF, or another switch",
            )
        )
    findings += press_findings(socket.hold_ms, bounce_ms)
    return ContactAdvice(
        socket=socket,
        bounce_ms=bounce_ms,
        debounce_ohm=FILTER_OHM,
        debounce_f=FILTER_F,
        debounce_ms=filter_ms,
        steps=(*MEASURE, *_CONTACT_STEPS),
        findings=tuple(findings),
        measured=socket.open_v is not None,
    )


def press_findings(hold_ms: float, bounce_ms: float) -> list[Finding]:
    """Whether a contact stays closed long enough after it has bounced."""
    if hold_ms >= 5 * bounce_ms:
        return []
    text = (
        f"a press of {hold_ms:g} ms is short for {bounce_ms:g} ms of bounce; hold it for at least "
        f"{5 * bounce_ms:g} ms"
    )
    return [Finding("hold-bounce", "hold", text)]


_CONTACT_STEPS = (
    "Sleeve to the switch's common contact, tip to its normally open contact. If the camera "
    "does not release without focus, join ring to tip as well; with manual focus it rarely must.",
    "Choose a switch for small loads (gold contacts, 0.1 A class). Makers specify them from 1 mA "
    "at 5 V, plain silver from 100 mA; a camera gives less than either: gold works in practice, "
    "count the frames.",
    "A controller's input instead of a camera: 10 kohm with 1 uF gives 10 ms and swallows bounce; "
    "across a camera's lines put no capacitor.",
    "Press it to 70 to 90 % of its over-travel, never to its end; a bracket that yields is better.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class OptoDrive:
    """What drives the opto-isolator's LED. ``led_ma`` None: 5 mA up to 3.6 V, else 10 mA."""

    supply_v: float = asked("Of the output: 3.3, 5, 12 or 24.", low=0.5, high=60)
    led_ma: float | None = asked("Wanted LED current (5 up to 3.6 V, else 10).", None, 0.01, 1000)
    led_v: float = asked("Forward voltage (1.2).", LED_V, low=0.5, high=10)
    transfer_ratio: float = asked(
        "Output current over LED current (0.5).", TRANSFER_RATIO, 0.01, 100, flag="--ctr"
    )
    pin_max_ma: float | None = asked(
        "What the board's manual allows for the pin.", None, 0.01, 1000
    )

    def __post_init__(self) -> None:
        check_asked(self)
        if self.supply_v <= self.led_v:
            raise CaptureHookError(
                "supply_v",
                f"{self.supply_v:g} V cannot light an LED that needs {self.led_v:g} V",
                "Give the voltage of the output that drives the LED",
            )

    @property
    def wanted_ma(self) -> float:
        if self.led_ma is not None:
            return self.led_ma
        return 5.0 if self.supply_v <= 3.6 else 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class OptoAdvice:
    """An opto-isolator between an output and the socket."""

    drive: OptoDrive
    socket: Socket
    exact_ohm: float
    e12_ohm: float
    e24_ohm: float
    led_ma: float
    """With the E12 value."""
    power_w: float
    rating_w: float
    sink_ma: float
    line_ma: float
    closed_ohm: float
    """What the camera sees: the saturated transistor as a resistance."""
    steps: tuple[str, ...]
    findings: tuple[Finding, ...]
    cautions: tuple[Caution, ...] = field(default=OPTO)


def advise_opto(drive: OptoDrive, socket: Socket) -> OptoAdvice:
    """Series resistor of the LED, its heat, and whether the output can sink the camera's line.

    Raises
    ------
    CaptureHookError
        The numbers allow no circuit.
    """
    exact_ohm = circuit.led_resistor_ohm(drive.supply_v, drive.led_v, drive.wanted_ma / 1000)
    e12_ohm = circuit.preferred_ohm(exact_ohm, circuit.E12)
    led_a = circuit.led_current_a(drive.supply_v, drive.led_v, e12_ohm)
    power_w = circuit.resistor_power_w(e12_ohm, led_a)
    line_ma = socket.line_ma or LINE_MA
    sink_ma = circuit.sink_current_a(led_a, drive.transfer_ratio) * 1000
    return OptoAdvice(
        drive=drive,
        socket=socket,
        exact_ohm=exact_ohm,
        e12_ohm=e12_ohm,
        e24_ohm=circuit.preferred_ohm(exact_ohm, circuit.E24),
        led_ma=led_a * 1000,
        power_w=power_w,
        rating_w=circuit.rating_for_w(power_w),
        sink_ma=sink_ma,
        line_ma=line_ma,
        closed_ohm=SATURATED_V / (line_ma / 1000),
        steps=(*MEASURE, *_OPTO_STEPS),
        findings=(
            *socket_findings(socket),
            *_drive_findings(drive, led_a * 1000),
            *_sink_findings(drive, sink_ma, line_ma),
        ),
    )


_OPTO_STEPS = (
    "Output, resistor, LED, ground of the printer's board: no more current than the board's "
    "manual allows for that pin.",
    "Output transistor: collector to tip, emitter to sleeve. The wrong way round it stays open.",
    "An output that switches to ground (12 or 24 V, part-fan kind): LED and resistor between plus "
    "and the output. Send full duty, since anything less chops the press; some kick at start.",
    "Hold focus (ring) the same way with a second isolator if the camera must focus first.",
)


def _drive_findings(drive: OptoDrive, led_ma: float) -> Iterator[Finding]:
    if drive.pin_max_ma is not None and led_ma > drive.pin_max_ma:
        least_ohm = circuit.led_resistor_ohm(drive.supply_v, drive.led_v, drive.pin_max_ma / 1000)
        yield Finding(
            "pin-overload",
            "output",
            f"{led_ma:.1f} mA is more than the pin's {drive.pin_max_ma:g} mA; use at least "
            f"{circuit.preferred_ohm(least_ohm, circuit.E12, 'up'):g} ohm, or a transistor",
        )
    if led_ma > LED_MAX_MA:
        yield Finding(
            "led-overload",
            "LED",
            f"{led_ma:.1f} mA shortens the LED's life; {LED_MAX_MA:g} mA or less is plenty",
        )


def _sink_findings(drive: OptoDrive, sink_ma: float, line_ma: float) -> Iterator[Finding]:
    if sink_ma >= SINK_MARGIN * line_ma:
        return
    need_ma = SINK_MARGIN * line_ma / drive.transfer_ratio
    need_ohm = circuit.led_resistor_ohm(drive.supply_v, drive.led_v, need_ma / 1000)
    raised = (
        f"raise the LED to {need_ma:.1f} mA "
        f"({circuit.preferred_ohm(need_ohm, circuit.E12, 'down'):g} ohm), or "
    )
    yield Finding(
        "opto-weak",
        "output transistor",
        f"it can sink {sink_ma:.2g} mA of the camera's {line_ma:g} mA, and a margin of "
        f"{SINK_MARGIN:g} is wanted: {raised if need_ma <= LED_MAX_MA else ''}take an isolator "
        f"with a transfer ratio of at least "
        f"{100 * drive.transfer_ratio * SINK_MARGIN * line_ma / sink_ma:.0f} %",
    )
