"""A profile as TOML text: all its values, or a starter with every key explained.

Only the shapes a profile has are written: tables of numbers, texts, lists and small tables.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from capturehook.model.profile import Profile
from capturehook.model.tables import Record
from capturehook.profile.checks import CHOICES
from capturehook.profile.faults import record_of

_UNIT = re.compile(r"^((?:button|wait|pin): )?(?:mm|ms|s|h|px|deg|Hz|mm/s2?|mm/min|mm3/s|mm3), ")
Row = Callable[[Record, str, Any], str]
"""(table, key, value) -> the line or lines of one key."""


def toml_value(value: Any) -> str:
    """A value as TOML writes it (TOML 1.0.0: strings, numbers, arrays, inline tables)."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007F")
    if isinstance(value, float):
        return repr(value).removesuffix(".0")
    if isinstance(value, Record):
        value = {key: one for key, one in _keys(value) if one is not None}
    if isinstance(value, Mapping):
        inside = ", ".join(f"{key} = {toml_value(one)}" for key, one in value.items())
        return f"{{ {inside} }}" if inside else "{}"
    if isinstance(value, (list, tuple)):
        return f"[{', '.join(map(toml_value, value))}]"
    return str(value)


def full_text(profile: Profile) -> str:
    """Every key with its value; those the profile does not set itself are marked `# default`."""

    def row(table: Record, key: str, value: Any) -> str:
        if value is None:
            return ""
        mark = "" if _is_set(table, key) else "  # default"
        return f"{key} = {toml_value(value)}{mark}\n"

    return _text(profile, row)


def starter_text(profile: Profile, name: str) -> str:
    """A profile to start from: its own keys, the others commented out with their defaults.

    Parameters
    ----------
    profile : whose keys and values are taken over
    name : the new profile's name
    """
    own = profile.model_copy(update={"name": name})

    def row(table: Record, key: str, value: Any) -> str:
        note = _comment(type(table), key)
        if value is None:
            return f"{note}# {key} =\n"
        return f"{note}{'' if _is_set(table, key) else '# '}{key} = {toml_value(value)}\n"

    head = (
        f"# {name}: a profile for capturehook, made from {profile.name}. Measure your own printer\n"
        "# and camera: the numbers are a safe beginning, not yours. A line that begins with #\n"
        "# says nothing; take the # off a key to set it. All keys: docs/reference/profile.md\n"
    )
    return head + _text(own, row)


def schema() -> dict[str, Any]:
    """The profile as JSON Schema (draft 2020-12), each key with its meaning and unit."""
    for record in Record.__subclasses__():  # their default tables too, which pydantic < 2.12 leaves
        record.model_rebuild()
    head = {"$schema": "https://json-schema.org/draft/2020-12/schema"}
    form = Profile.model_json_schema(by_alias=True)
    for table, key, kind in (("Machine", "firmware", "firmware"), ("Trigger", "by", "trigger")):
        form["$defs"][table]["properties"][key]["enum"] = CHOICES[kind].choices
    return {**head, **form}


def key_rows() -> list[tuple[str, str, str, str]]:
    """Every key of a profile: (table, key, value it has unless given, meaning)."""
    return list(_key_rows("", Profile))


def key_table() -> str:
    """:func:`key_rows` as a Markdown list for each table of the profile; a key tells its unit."""
    out: dict[str, dict[str, list[str]]] = {}
    for table, key, default, meaning in key_rows():
        given = f" ({default})" if default else ""
        said = f"{given}: " + _UNIT.sub(r"\1", meaning)
        out.setdefault(table, {}).setdefault(said, []).append(f"`{key}`")
    parts = []
    for table, rows in out.items():
        lines = [f"- {', '.join(keys)}{said}\n" for said, keys in rows.items()]
        parts.append(f"### {f'[{table}]' if table else 'At the top'}\n\n{''.join(lines)}")
    return "\n".join(parts)


def _text(profile: Profile, row: Row) -> str:
    top = "".join(row(profile, key, one) for key, one in _keys(profile) if not _is_table(one))
    tables = [(key, one) for key, one in _keys(profile) if isinstance(one, Record)]
    return top + "".join(_table(key, one, row) for key, one in tables)


def _table(name: str, table: Record, row: Row) -> str:
    """A table, and those within it that are too long for one line as tables of their own."""
    keys = list(_keys(table))
    below = [(key, one) for key, one in keys if isinstance(one, Record) and not _fits(one)]
    rows = "".join(row(table, key, one) for key, one in keys if (key, one) not in below)
    return f"\n[{name}]\n{rows}" + "".join(_table(f"{name}.{key}", one, row) for key, one in below)


def _fits(table: Record) -> bool:
    return all(isinstance(value, (int, float)) for _, value in _keys(table))


def _is_table(value: Any) -> bool:
    return isinstance(value, Record) or value is None


def _is_set(table: Record, key: str) -> bool:
    return key in table.model_fields_set or key == "schema"


def _keys(table: Record) -> Iterator[tuple[str, Any]]:
    for name, field in type(table).model_fields.items():
        yield field.alias or name, getattr(table, name)


def _comment(model: type[Record], key: str) -> str:
    """What a key means, as lines of comment over it."""
    import textwrap

    text = _meaning(model, key)
    return "".join(f"# {line}\n" for line in textwrap.wrap(text, 96)) if text else ""


def _meaning(model: type[Record], key: str) -> str:
    name = next(name for name, f in model.model_fields.items() if (f.alias or name) == key)
    return re.sub(r"\s+", " ", model.meanings().get(name, "")).strip()


def _key_rows(table: str, model: type[Record]) -> Iterator[tuple[str, str, str, str]]:
    below: dict[type[Record], list[str]] = {}
    for name, field in model.model_fields.items():
        key = field.alias or name
        record = record_of(model, key)
        if record is not None:
            below.setdefault(record, []).append(f"{table}.{key}" if table else key)
        if record is None or table:
            yield table, key, _default(field), _meaning(model, key)
    for record, names in below.items():
        yield from _key_rows("], [".join(names), record)


def _default(field: Any) -> str:
    if field.is_required():
        return "required"
    value = field.get_default(call_default_factory=True)
    if isinstance(value, Record) and not _fits(value):
        return "its own table"
    return "" if value is None else f"`{toml_value(value)}`"
