"""The contract tests of the register, for packages that add to it and for ourselves.

Call these from a test of your own; each raises AssertionError, and says what is missing.
How a package offers its entries: docs/howto/adding_one.md.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from capturehook.api import apply, strip
from capturehook.catalog import DIALECTS, FIRMWARES, TRIGGERS
from capturehook.catalog.containers import BINARY_KINDS, ZIP_KINDS, BinaryKind, ZipKind
from capturehook.catalog.containers.fields import Fields
from capturehook.catalog.containers.zip_file import Container
from capturehook.catalog.register import NAME, Register, lacks
from capturehook.errors import FileError, Finding, UntoldError
from capturehook.model.contracts import Dialect, Firmware, Trigger
from capturehook.model.profile import Profile
from capturehook.profile import build_profile
from capturehook.read.marks import find_marks
from capturehook.read.source import open_source

LAYERS = 4
LONGEST_LINE = 80
FAULT = re.compile(r"[a-z_.]+: .+; .+", re.DOTALL)
"""What a ValueError about a profile says: `table.key: what was found; what to do`."""


def sample_profile(firmware: str, **tables: Mapping[str, Any]) -> Profile:
    """A sound profile of a printer with that firmware; ``tables`` replace keys table by table.

    Raises
    ------
    ProfileError
        The keys do not fit.
    """
    raw: dict[str, Any] = {
        "schema": 1,
        "name": "sample",
        "machine": {"firmware": firmware, "x_mm": [0, 200], "y_mm": [0, 200], "z_mm": [0, 200]},
        "park": {"x_mm": 10, "y_mm": 190},
        "trigger": {"by": "wait", "fired_by": "sensor"},
    }
    for name, keys in tables.items():
        raw[name] = {**raw.get(name, {}), **keys}
    return build_profile(raw, "sample.toml")


def sample_job(*, e_letter: str = "E", e_mode: str = "M82", marks: Sequence[str] = ()) -> bytes:
    """A square tower of four layers.

    Parameters
    ----------
    e_letter : of the extruder
    e_mode : M82, M83, or "" for families without these commands
    marks : mark lines, layer after layer; unless given, a kind of ours
    """
    modes = ["G21", "G90", *([e_mode] if e_mode else []), f"G92 {e_letter}0"]
    lines = [*modes, "G1 X100 Y100 F6000", "G1 Z0.2 F600"]
    e, step = 0.0, 0.7
    for layer in range(LAYERS):
        mark = marks[layer % len(marks)] if marks else f";LAYER:{layer}"
        lines += [mark, f"G1 Z{0.2 * (layer + 1):.1f} F600", "G1 X90 Y90 F6000"]
        for x, y in ((110, 90), (110, 110), (90, 110), (90, 90)):
            e = step if e_mode == "M83" else round(e + step, 3)
            lines.append(f"G1 X{x} Y{y} {e_letter}{e:g} F1800")
    return "\n".join([*lines, ";end", "G1 Z20 F600", "M84", ""]).encode()


@contextmanager
def registered(register: Register[Any], entry: Any) -> Iterator[None]:
    """Have ``entry`` in a register for a while; an entry that is there stays."""
    known = register.get(entry.name)
    assert known in (None, entry), f"{entry.name} is another entry's name"
    register[entry.name] = entry
    try:
        yield
    finally:
        if known is None:
            del register[entry.name]


def check_entry(contract: type, entry: Any) -> None:
    """It answers all that its contract asks, with the same parameters, under a fit name."""
    missing = lacks(contract, entry)
    assert not missing, f"{entry!r} lacks {', '.join(missing)}"
    assert NAME.fullmatch(entry.name), f"{entry.name!r}: small letters, digits and _"


def check_firmware(firmware: Firmware, *, e_letter: str = "E", **tables: Mapping[str, Any]) -> None:
    """Its lines are plain and short, and a job is filmed on it and stripped byte for byte.

    Parameters
    ----------
    e_letter : of the extruder in its jobs
    tables : keys of the profile that it needs, as for :func:`sample_profile`
    """
    check_entry(Firmware, firmware)
    on, off = (list(firmware.set_pin(5, None, state)) for state in (True, False))
    shown = [*firmware.dwell(180), *firmware.wait(), *firmware.message("capture frame")]
    for line in (*shown, *on, *off):
        assert line and line.isascii() and len(line) <= LONGEST_LINE, f"line {line!r}"
    assert on != off, "set_pin() writes the same for on and off"
    assert firmware.dwell_ms(None, None) == 0, "G4 without words must not wait"
    effects = firmware.effects
    acting = {*effects.ends_job, *(effects.stored_place or ())}
    acting.update(effects.keep_and_give_back or ())
    assert not acting & effects.harmless, f"harmless and not: {sorted(acting & effects.harmless)}"
    _check_camera(firmware)
    with registered(FIRMWARES, firmware):
        profile = sample_profile(firmware.name, **tables)
        assert firmware.corner_rule(profile.machine).cruise_ratio >= 0
        for e_mode in ("M82", "M83") if firmware.has_e_modes else ("",):
            _check_filmed(sample_job(e_letter=e_letter, e_mode=e_mode), profile)


def _check_camera(firmware: Firmware) -> None:
    """The family's camera command, or a refusal in words."""
    try:
        lines = firmware.camera()
    except ValueError as fault:
        assert re.fullmatch(r"trigger\.by: .+; .+", str(fault)), str(fault)
    else:
        assert lines and all(len(line) <= LONGEST_LINE for line in lines)


def _check_filmed(job: bytes, profile: Profile) -> None:
    """Poses go in at every layer but the first, are proved, and go out again."""
    try:
        filmed = apply(job, profile, path="sample.gcode")
    except UntoldError as fault:
        raise AssertionError(f"check() must refuse {profile.machine.firmware}: {fault}") from fault
    layers = [pose.layer for pose in filmed.poses]
    assert layers == [2, 3, 4], f"poses at layers {layers}"
    assert filmed.data != job and strip(filmed.data) == job, "strip does not give the job back"


def check_trigger(trigger: Trigger, keys: Mapping[str, Any], **tables: Mapping[str, Any]) -> None:
    """It fires from the park point on every family that it accepts, on one at least.

    Parameters
    ----------
    keys : of the [trigger] table, without `by`
    tables : further keys of the profile that it needs, as for :func:`sample_profile`
    """
    check_entry(Trigger, trigger)
    fired, refused = [], []
    with registered(TRIGGERS, trigger):
        for name, firmware in FIRMWARES.items():
            profile = sample_profile(name, **tables)
            table = profile.trigger.model_copy(update={"by": trigger.name, **keys})
            profile = profile.model_copy(update={"trigger": table})
            try:
                trigger.check(profile)
            except ValueError as fault:
                assert all(FAULT.fullmatch(text) for text in str(fault).split("\n")), str(fault)
                refused.append(str(fault))
                continue
            check_fire(trigger, firmware, profile)
            fired.append(name)
            if firmware.has_e_modes:
                sound = sample_profile(name, **{**tables, "trigger": {"by": trigger.name, **keys}})
                _check_filmed(sample_job(), sound)
    assert fired, f"{trigger.name} is refused on every family: {refused}"


def check_fire(trigger: Trigger, firmware: Firmware, profile: Profile) -> None:
    """Lines of plain text; those that move have a speed and no text of their own."""
    assert all(isinstance(one, Finding) for one in trigger.findings(profile))
    fire = trigger.fire(firmware, profile)
    assert fire.held_ms >= 0
    for line in fire.lines:
        assert line.text.isascii(), f"line {line.text!r}"
        moves = line.x_mm is not None or line.y_mm is not None
        assert moves == (line.feed_mm_min > 0) == (line.text == ""), f"line {line!r}"


def check_dialect(dialect: Dialect, marks: Sequence[str]) -> None:
    """It finds its own marks, and no other kind takes them for its own.

    Parameters
    ----------
    marks : mark lines as they stand in jobs, layer after layer
    """
    check_entry(Dialect, dialect)
    assert marks, "give some mark lines"
    pattern = re.compile(dialect.pattern)
    for line in marks:
        raw = line.encode()
        assert pattern.fullmatch(raw), f"the pattern does not match {line!r}"
        assert any(literal in raw for literal in dialect.literal), f"no literal is in {line!r}"
        kinds = [one.name for one in DIALECTS.values() if re.fullmatch(one.pattern, raw)]
        assert kinds in ([], [dialect.name]), f"{line!r} is a mark of {kinds} too"
    known = {"number", "z"} | set(pattern.groupindex)
    assert known == {"number", "z"}, f"unknown groups {sorted(known - {'number', 'z'})}"
    has_number = "number" in pattern.groupindex
    assert not has_number or dialect.number_base is not None, "number_base is not stated"
    with registered(DIALECTS, dialect):
        source = open_source(sample_job(marks=marks), "sample.gcode")
        found = {one.name: len(one.line_index) for one in find_marks(source)}
    assert found == {dialect.name: LAYERS}, f"found {found}"


def check_container(kind: BinaryKind | ZipKind, path: Path, layers: int) -> None:
    """It alone claims the sample, reads its layers, and says in words what damage it met.

    Parameters
    ----------
    path : a sample job
    layers : how many it holds
    """
    binary = hasattr(kind, "pixels")
    check_entry(BinaryKind if binary else ZipKind, kind)
    assert kind.what
    if binary:
        _check_binary(kind, path, layers)  # type: ignore[arg-type]
        return
    with Container(path) as container:
        claims = [one.name for one in (*ZIP_KINDS, kind) if one.claims(container)]  # type: ignore[arg-type]
        assert set(claims) == {kind.name}, f"{path.name} is claimed by {claims}"
        assert len(kind.read(container).cycles) == layers  # type: ignore[arg-type]


def _check_binary(kind: BinaryKind, path: Path, layers: int) -> None:
    data = path.read_bytes()
    claims = [one.name for one in (*BINARY_KINDS, kind) if one.claims(data[:16])]
    assert set(claims) == {kind.name}, f"{path.name} is claimed by {claims}"
    with Fields(path) as fields:
        job = kind.read(fields)
        assert len(job.cycles) == layers, f"{len(job.cycles)} layers are read, {layers} are there"
        if job.images:
            assert kind.pixels(fields, job, 0).ndim == 2
    cut = path.with_name(f"cut-{path.name}")
    for size in (16, 64, len(data) // 4, len(data) // 2):
        cut.write_bytes(data[:size])
        try:
            with Fields(cut) as fields:
                kind.read(fields)
        except FileError:
            continue
        finally:
            cut.unlink()
