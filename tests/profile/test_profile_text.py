"""Profiles written out: what is shown reads back as the same profile."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
import tomli
from hypothesis import given, settings
from hypothesis import strategies as st

from capturehook.catalog import TRIGGERS
from capturehook.model.profile import Profile
from capturehook.model.tables import Record
from capturehook.profile import build_profile, list_profiles, load_profile, parse_profile
from capturehook.profile.faults import record_of
from capturehook.profile.load import BUILT_IN
from capturehook.profile.text import full_text, key_rows, schema, starter_text, toml_value
from tests.strategies import profile_table

STARTERS = ("heron", "kestrel", "tern")

mm = st.floats(0.001, 1e6)
words = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)


@st.composite
def tables(draw: st.DrawFn) -> dict[str, Any]:
    """Whole profiles: any text, numbers of full precision, tables within tables."""
    axes = st.fixed_dictionaries(dict.fromkeys("xyze", mm))
    low = draw(st.floats(-100, 0))
    box = {"name": draw(words), "x_mm": [low, low + 5], "y_mm": [1, 2.5]}
    return profile_table(
        draw(st.sampled_from(["marlin", "klipper", "rs274"])),
        machine={
            "keep_out": draw(st.sampled_from([[], [box], [box, {**box, "z_mm": [0, 3]}]])),
            "jerk_mm_s": draw(axes),
            "filament_mm": draw(mm),
            "volumetric": draw(st.booleans()),
        },
        park={
            "clear_mm": draw(mm),
            "settle": {
                "frequency_hz": draw(st.floats(0.1, 10_000)),
                "damping": draw(st.floats(0.01, 0.99)),
                "start_mm": draw(mm),
                "still_mm": draw(mm),
            },
        },
        trigger={
            "by": "wait",
            "fired_by": "hand",
            "text": draw(words),
            "lines": draw(st.lists(words, max_size=3)),
            "pin": draw(st.one_of(st.integers(0, 10_000), words)),
        },
        capture={"fps": draw(st.sampled_from([25, 29.97, "30000/1001"]))},
        resin={"sensor": {"false_starts_s": draw(st.lists(mm, max_size=3))}},
    )


@pytest.mark.property
@settings(max_examples=80, deadline=None)
@given(table=tables())
def test_shown_profile_reads_back_as_the_same(table: dict[str, Any]) -> None:
    profile = build_profile(table, "heron.toml")
    assert parse_profile(full_text(profile), "heron.toml") == profile


@pytest.mark.property
@settings(max_examples=80, deadline=None)
@given(table=tables())
def test_starter_reads_back_as_its_base_under_its_own_name(table: dict[str, Any]) -> None:
    profile = build_profile(table, "heron.toml")
    again = parse_profile(starter_text(profile, "mine"), "mine.toml")
    assert again == profile.model_copy(update={"name": "mine"})


@pytest.mark.property
@settings(max_examples=150, deadline=None)
@given(
    value=st.recursive(
        st.one_of(
            st.booleans(),
            st.integers(-(2**63), 2**63 - 1),
            st.floats(allow_nan=False, allow_infinity=False),
            words,
        ),
        lambda inner: st.lists(inner, max_size=3),
    )
)
def test_value_is_toml(value: Any) -> None:
    """Checked against the reader of TOML 1.0.0 (tomli)."""
    assert tomli.loads(f"a = {toml_value(value)}\n") == {"a": value}


def test_control_letters_and_quotes_are_escaped() -> None:
    """TOML 1.0.0, basic strings: control characters but tab must be escaped, U+007F too."""
    text = 'a"b\\c\x00\x1f\x7f\n\té'
    assert toml_value(text) == '"a\\"b\\\\c\\u0000\\u001f\\u007F\\n\\té"'


@pytest.mark.parametrize("name", STARTERS)
def test_starter_profile_is_sound_and_leaves_no_doubt(name: str) -> None:
    profile = load_profile(BUILT_IN / f"{name}.toml")
    assert profile.name == name
    assert TRIGGERS[profile.trigger.by].findings(profile) == []
    assert parse_profile(full_text(profile), name) == profile


def test_starters_are_all_there_is_built_in() -> None:
    assert tuple(path.stem for path in sorted(BUILT_IN.glob("*.toml"))) == STARTERS
    assert {name for name, _ in list_profiles()} >= set(STARTERS)


def test_shown_profile_marks_what_the_file_does_not_set() -> None:
    text = full_text(load_profile(BUILT_IN / "heron.toml"))
    assert "\nlag_ms = 120\n" in text
    assert "\nmin_hold_ms = 100  # default\n" in text


def test_starter_explains_every_key() -> None:
    text = starter_text(load_profile(BUILT_IN / "heron.toml"), "mine")
    keys = {line.lstrip("# ").split(" =")[0] for line in text.splitlines() if " =" in line}
    wanted = {
        key for table, key, _, _ in key_rows() if "." not in table and not table.startswith("resin")
    }
    assert wanted <= keys
    assert 'name = "mine"' in text


def test_every_key_is_explained_with_its_unit() -> None:
    units = ("_mm", "_ms", "_s", "_hz", "_mm_min", "_mm_s", "_mm_s2", "_mm3", "_mm3_s", "_deg")
    for table, key, _, meaning in key_rows():
        assert len(meaning) > 3, (table, key)
        unit = next((unit for unit in sorted(units, key=len)[::-1] if key.endswith(unit)), None)
        if unit is not None:
            said = {"_hz": "Hz", "_mm_min": "mm/min", "_mm_s": "mm/s", "_mm_s2": "mm/s2"}
            said |= {"_mm3_s": "mm3/s"}
            assert said.get(unit, unit[1:]) in meaning, (table, key, meaning)


def test_schema_describes_every_key_and_refuses_unknown_ones() -> None:
    """JSON Schema draft 2020-12: additionalProperties, required, const."""
    whole = schema()
    assert whole["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert whole["properties"]["schema"]["const"] == 1
    assert set(whole["required"]) == {"schema", "name", "machine", "park"}
    for table in [whole, *whole["$defs"].values()]:
        assert table["additionalProperties"] is False
        for key, found in table["properties"].items():
            behind = whole["$defs"].get(found.get("$ref", "").rpartition("/")[2], {})
            assert found.get("description") or behind.get("description"), key


def test_kinds_of_the_schema_agree_with_a_plain_profile() -> None:
    table = profile_table("marlin")
    assert isinstance(build_profile(table, "heron.toml"), Profile)
    machine = schema()["$defs"]["Machine"]
    assert set(machine["required"]) == {"firmware", "x_mm", "y_mm", "z_mm"}
    assert machine["properties"]["x_mm"]["minItems"] == 2


def test_usual_values_are_sound_and_of_the_kinds_that_reading_gives() -> None:
    """`tables.usual` builds them unchecked."""
    seen = 0
    for model in (Profile, *_records(Profile)):
        for field in model.model_fields.values():
            if isinstance(field.default, Record):
                again = type(field.default).model_validate(field.default.model_dump(by_alias=True))
                assert again == field.default
                assert repr(again) == repr(field.default), "3000 where reading gives 3000.0"
                seen += 1
    assert seen == 11


def _records(model: type[Record]) -> Iterator[type[Record]]:
    for key in (field.alias or name for name, field in model.model_fields.items()):
        record = record_of(model, key)
        if record is not None:
            yield record
            yield from _records(record)
