"""Every entry of the register: what it must answer, a case that shows it, a heading in docs.

Whoever adds an entry is told here which step is missing (DEVELOPERS.md).
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from capturehook import testing
from capturehook.catalog import DIALECTS, FIRMWARES, TRIGGERS
from capturehook.catalog.register import Register
from capturehook.errors import ProfileError
from capturehook.model import contracts
from capturehook.profile import build_profile, load_profile
from capturehook.profile.text import schema
from tests.block.blocks import NOT_ON, profile_for
from tests.block.blocks import TRIGGERS as KEYS
from tests.docs.pages import page_text
from tests.golden.cases import CASES, profile_of
from tests.read.slow import FIRMWARES as SLOWLY_READ
from tests.read.test_sniff import MARK_LINES
from tests.strategies import profile_table

ROOT = Path(__file__).parents[2]
ACCEPT = ROOT / "tests" / "corpus" / "accept"
GOLDEN = [profile_of(case) for case in CASES]
PAIRS = [(f, t) for f in FIRMWARES for t in TRIGGERS if f not in NOT_ON.get(t, set())]


def headings(page: str) -> set[str]:
    return set(re.findall(r"^#+ (\S+)$", page_text(page), re.M))


@pytest.mark.parametrize("register", [DIALECTS, FIRMWARES, TRIGGERS])
def test_entries_stand_under_their_own_names(register: dict[str, Any]) -> None:
    assert [entry.name for entry in register.values()] == list(register)
    assert all(re.fullmatch(r"[a-z0-9_]+", name) for name in register)


def test_equal_names_are_refused() -> None:
    first = next(iter(TRIGGERS.values()))
    with pytest.raises(ValueError, match=f"two entries of the register are called {first.name}"):
        Register("trigger", [contracts.Trigger], first, first)


@pytest.mark.parametrize(
    ("table", "key", "register"), [("machine", "firmware", FIRMWARES), ("trigger", "by", TRIGGERS)]
)
def test_profile_takes_the_names_of_the_register_and_no_others(
    table: str, key: str, register: dict[str, Any]
) -> None:
    kind = schema()["$defs"][table.capitalize()]["properties"][key]
    assert kind["enum"] == list(register)
    near = f"{next(iter(register))}x"
    raw = profile_table("marlin")
    raw[table] = {**raw.get(table, {}), key: near}
    with pytest.raises(ProfileError, match=f"nearest is {next(iter(register))}") as caught:
        build_profile(raw, "heron.toml")
    assert str(caught.value).endswith(f"Choose from {', '.join(register)}.")


# -- dialects ----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", DIALECTS)
def test_dialect_has_a_corpus_case_and_a_heading(name: str) -> None:
    assert sorted(ACCEPT.glob(f"{name}/*.gcode")), f"add tests/corpus/accept/{name}/<case>.gcode"
    assert name in headings("gcode_facts.md"), f"add '### {name}' to gcode_facts.md"


@pytest.mark.parametrize("name", DIALECTS)
def test_dialect_keeps_its_contract(name: str) -> None:
    testing.check_dialect(DIALECTS[name], MARK_LINES[name])


# -- firmware ----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", FIRMWARES)
def test_firmware_has_a_golden_case_and_a_heading(name: str) -> None:
    shown = [profile.machine.firmware for profile in GOLDEN]
    assert name in shown, f'add tests/golden/<case> with [machine] firmware = "{name}"'
    assert name in headings("gcode_facts.md"), f"add '## {name}' to gcode_facts.md"


@pytest.mark.parametrize("name", FIRMWARES)
def test_firmware_has_a_corner_rule_and_a_slow_reader(name: str) -> None:
    assert FIRMWARES[name].corner_rule(profile_for(name, "wait").machine)
    assert name in SLOWLY_READ, f"teach the slow reader of tests/read/slow.py {name}"


@pytest.mark.parametrize("name", FIRMWARES)
def test_firmware_keeps_its_contract(name: str) -> None:
    testing.check_firmware(FIRMWARES[name], e_letter="A" if name == "rs274" else "E")


@pytest.mark.parametrize(
    ("name", "line"),
    [
        ("marlin", "M118 go 1"),  # marlinfw.org page M118: M118 [string]
        ("klipper", "M118 go 1"),  # klipper3d.org page G-Codes, respond: M118 <message>
        ("reprapfirmware", 'M118 S"go 1"'),  # Duet page M118: S is always needed
        ("smoothie", "M117 go 1"),  # Smoothieware GcodeDispatch.cpp: 117 is raw, no 118
        ("repetier", "M117 go 1"),
        ("rs274", "; go 1"),
    ],
)
def test_message_is_written_as_the_family_reads_it(name: str, line: str) -> None:
    assert FIRMWARES[name].message("go 1") == [line]


def test_message_with_quotes_stays_one_quoted_word_and_short() -> None:
    assert FIRMWARES["reprapfirmware"].message('a "b"') == ['M118 S"a ""b"""']
    table = profile_table(
        "reprapfirmware", trigger={"by": "message", "text": '"' * 60}
    )  # each quote is written twice: over 80 bytes
    with pytest.raises(ProfileError, match="too many for one line"):
        build_profile(table, "heron.toml")


# -- triggers ----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", TRIGGERS)
def test_trigger_has_a_golden_case_and_a_heading(name: str) -> None:
    shown = [profile.trigger.by for profile in GOLDEN]
    assert name in shown, f'add tests/golden/<case> with [trigger] by = "{name}"'
    assert name in headings("triggers.md"), f"add '## {name}' to triggers.md"


@pytest.mark.parametrize("name", TRIGGERS)
def test_trigger_keeps_its_contract(name: str) -> None:
    keys = {key: value for key, value in KEYS[name].items() if key != "by"}
    tables = {}
    if name == "button":  # out of the sample job's reach
        keys, tables = {**keys, "x_mm": -10.0}, {"machine": {"x_mm": [-20, 200]}}
    testing.check_trigger(TRIGGERS[name], keys, **tables)


@pytest.mark.parametrize(("firmware", "trigger"), PAIRS)
def test_trigger_fires_on_every_family_that_can(firmware: str, trigger: str) -> None:
    profile = profile_for(firmware, trigger)
    TRIGGERS[trigger].check(profile)
    testing.check_fire(TRIGGERS[trigger], FIRMWARES[firmware], profile)


def test_starter_profiles_are_sound() -> None:
    for name in ("heron", "kestrel", "tern"):
        profile = load_profile(name)
        assert profile.name == name
        TRIGGERS[profile.trigger.by].check(profile)
