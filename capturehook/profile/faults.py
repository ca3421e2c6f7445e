"""Faults of a profile in plain words: the key as in the file, what was found, what to do."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Iterator, Sequence
from datetime import date, time
from typing import Any, get_args

from capturehook.errors import CaptureHookError, Where
from capturehook.model.tables import FaultsError, Record

Place = tuple[str | int, ...]

PATTERNS = {
    "name": "Use small letters, digits, - and _, the first a letter or a digit",
    "fps": 'Write a number or a fraction, like 25 or "30000/1001"',
    "layers": 'Write it like "2-40,60,80-"',
}
"""Advice for texts that must have a certain form, by key."""


def toml_fault(path: str, fault: Exception) -> CaptureHookError:
    """What stopped the TOML reader, at its line and column."""
    if isinstance(fault, RecursionError):
        return CaptureHookError(path, "is nested too deeply", "Write plain tables")
    text = str(fault)
    place = re.search(r" \(at (?:line (\d+), column (\d+)|end of document)\)$", text)
    if place is None:
        return CaptureHookError(path, "holds a number of thousands of digits", "Shorten it")
    what = text[: place.start()].replace("Illegal character '\\n'", "text without its end")
    found = f"is not valid TOML: {what[:1].lower()}{what[1:]}"
    if place[1] is None:
        return CaptureHookError(path, f"{found} at the end of the file", "Fix the last line")
    where = Where(path, line_no=int(place[1]), column=int(place[2]))
    return CaptureHookError(where, found, "Fix this line")


def newer_schema(path: str, found: object) -> CaptureHookError | None:
    """A form of profile this version does not read: nothing else is worth saying then."""
    if type(found) is not int or found <= 1:
        return None
    advice = "Update capturehook, or write the profile in form 1 (see `capturehook profile new`)"
    where = Where(path, key="schema")
    return CaptureHookError(where, f"{_shown(found)} is newer than this version reads", advice)


def word_faults(model: type[Record], path: str, errors: Sequence[Any]) -> list[CaptureHookError]:
    """All faults pydantic found, one for each key, in the order of the profile's tables."""
    faults: dict[Place, list[CaptureHookError]] = {}
    misspelt = set(_meant(model, errors))
    inside = {_place_of(model, error["loc"])[:-1] for error in errors}
    for error in errors:
        place = _place_of(model, error["loc"])
        if error["type"] == "missing" and place in misspelt:
            continue
        if error["type"] == "too_short" and any(one[: len(place)] == place for one in inside):
            continue  # only since its items are faulty
        if place in faults and error["type"] == "literal_error":  # a number, or one word
            if isinstance(error.get("input"), str):
                faults[place] = list(_word(model, path, place, error))
            continue
        if place in faults and error["type"] != "value_error":
            first = faults[place][0]
            faults[place] = [_neither(first.where, error)]
            continue
        faults.setdefault(place, []).extend(_word(model, path, place, error))
    return [fault for some in faults.values() for fault in some]


def word_text(path: str, text: str, table: Place = ()) -> CaptureHookError:
    """A fault "table.key: what was found; what to do" as an error."""
    key, _, rest = text.partition(": ")
    found, _, advice = rest.rpartition("; ")
    where = Where(path, key=key_path((*table, *key.split("."))))
    return CaptureHookError(where, found or rest, _capital(advice) if found else "Correct it")


def key_path(place: Place) -> str:
    """('machine', 'keep_out', 1, 'x_mm') -> '[machine.keep_out] x_mm, item 2'."""
    names = [_plain(part) for part in place if isinstance(part, str)]
    items = "".join(f", item {part + 1}" for part in place if isinstance(part, int))
    *tables, key = names
    return (f"[{'.'.join(tables)}] {key}" if tables else key) + items


def _plain(key: str) -> str:
    """A key on one line; TOML allows any text in quotes."""
    return key if key.isprintable() and 0 < len(key) <= 60 else f"{key!r:.60}"


def record_of(model: type[Record], key: str) -> type[Record] | None:
    """The record class that stands behind one key of another, or None."""
    field = _fields(model).get(key)
    todo: list[Any] = [field.annotation] if field else []
    while todo:
        kind = todo.pop()
        if isinstance(kind, type) and issubclass(kind, Record):
            return kind
        todo.extend(get_args(kind))
    return None


def _fields(model: type[Record]) -> dict[str, Any]:
    return {field.alias or name: field for name, field in model.model_fields.items()}


def _place_of(model: type[Record] | None, loc: Iterable[str | int]) -> Place:
    """The keys and item numbers of a place, without the names of kinds pydantic adds."""
    place: list[str | int] = []
    for part in loc:
        if isinstance(part, int):
            place.append(part)
        elif model is not None:
            place.append(part)
            model = record_of(model, part)
    return tuple(place)


def _meant(model: type[Record], errors: Sequence[Any]) -> Iterator[Place]:
    """The keys that the unknown ones were probably meant to be."""
    for error in errors:
        if error["type"] == "extra_forbidden":
            place = _place_of(model, error["loc"])
            near = _nearest(model, place)
            if near:
                yield (*place[:-1], near)


def _word(model: type[Record], path: str, place: Place, error: Any) -> Iterator[CaptureHookError]:
    kind = error["type"]
    if kind == "value_error":
        fault = error["ctx"]["error"]
        texts = fault.texts if isinstance(fault, FaultsError) else [str(fault)]
        yield from (word_text(path, text, place) for text in texts)
        return
    if kind == "extra_forbidden":
        found, advice = _unknown(model, place)
    elif kind == "missing":
        found, advice = _missing(model, place)
    else:
        found, advice = _bad_value(model, place, error)
    if kind == "missing" and isinstance(place[-1], int):
        place = place[:-1]
    is_head = len(place) == 1 and isinstance(error.get("input"), dict)
    key = f"[{_plain(str(place[0]))}]" if is_head and kind != "missing" else _headed(model, place)
    yield CaptureHookError(Where(path, key=key), found, advice)


def _headed(model: type[Record], place: Place) -> str:
    """A whole table is named as its head: [park]."""
    if len(place) == 1 and isinstance(place[0], str) and record_of(model, place[0]) is not None:
        return f"[{place[0]}]"
    return key_path(place)


def _missing(model: type[Record], place: Place) -> tuple[str, str]:
    if isinstance(place[-1], int):
        return "holds too few numbers", "Write two, like [0, 235]"
    if len(place) == 1 and record_of(model, str(place[0])) is not None:
        return "is missing", "Add this table"
    return "is missing", "Write schema = 1" if place == ("schema",) else "Add the key"


def _unknown(model: type[Record], place: Place) -> tuple[str, str]:
    """An unknown key: where it belongs, or what it is nearest to."""
    key = str(place[-1])
    homes = [f"[{table}]" for table in _homes(model, key) if (table,) != place[:-1]]
    near = _nearest(model, place)
    what = "unknown table" if len(place) == 1 and near and record_of(model, near) else "unknown key"
    if near and not _is_close(key, near) and homes:
        near = None
    if near:
        head = f"[{near}]" if what == "unknown table" else near
        return f"{what}, nearest is {head}", f"Rename it, or delete the {what.split()[1]}"
    if homes:
        return f"unknown key here; it belongs in {_or(homes)}", "Move it there, or delete it"
    away = _nearest_elsewhere(model, key)
    return f"unknown key{away}", "Correct it, or delete it" if away else "Delete it"


def _or(names: list[str]) -> str:
    *most, last = names
    return f"{', '.join(most)} or {last}" if most else last


def _nearest_elsewhere(model: type[Record], key: str) -> str:
    """', nearest is clear_mm in [park]', or nothing."""
    for table in _fields(model):
        record = record_of(model, table)
        for name in _fields(record) if record else ():
            if name.startswith(key + "_") or _is_close(key, name):
                return f", nearest is {name} in [{table}]"
    return ""


def _is_close(key: str, near: str) -> bool:
    return difflib.SequenceMatcher(None, key, near).ratio() >= 0.8


def _homes(model: type[Record], key: str) -> Iterator[str]:
    """The tables that know a key."""
    for table in _fields(model):
        record = record_of(model, table)
        if record is not None and key in _fields(record):
            yield table


def _nearest(model: type[Record], place: Place) -> str | None:
    """The known key of the same table that comes nearest."""
    within: type[Record] | None = model
    for part in place[:-1]:
        within = record_of(within, part) if within and isinstance(part, str) else within
    if within is None:
        return None
    key, names = str(place[-1]), list(_fields(within))
    near = difflib.get_close_matches(key, names, n=1, cutoff=0.6)
    return next((name for name in names if name.startswith(key + "_")), None) or next(
        iter(near), None
    )


def _neither(where: Where, error: Any) -> CaptureHookError:
    """A value that fits none of the kinds a key may hold."""
    found = f"{_shown(error.get('input'))} is neither a whole number nor text"
    return CaptureHookError(where, found, "Write a number, or a name in quotes")


def _bad_value(model: type[Record], place: Place, error: Any) -> tuple[str, str]:
    kind, value, limits = error["type"], error.get("input"), error.get("ctx") or {}
    shown, key = _shown(value), next(part for part in reversed(place) if isinstance(part, str))
    if kind == "too_long" and limits.get("field_type") == "Tuple" and limits["max_length"] == 2:
        return f"{shown} holds more than two numbers", "Write two, like [0, 235]"
    if kind in _LIMITS:
        found, advice = _LIMITS[kind]
        return f"{shown} {found.format(**limits)}", advice.format(**limits)
    if kind == "literal_error" and key == "schema":
        return f"{shown} is not 1", "Write schema = 1"
    if kind == "literal_error":
        return _no_choice(value, limits["expected"])
    if kind == "not_rising":
        return f"{_shown(list(value))} does not rise", "Write lowest, then highest"
    if kind == "no_film_speed":
        return f"{shown} is not a film speed", "Write 1 to 240, like 25"
    if kind == "string_pattern_mismatch":
        return f"{shown} does not have the right form", PATTERNS.get(key, "Correct it")
    if kind == "model_type" and len(place) == 1:
        what = (
            f"{shown} is not a table" if not isinstance(value, list) else "is a list, not a table"
        )
        return what, f"Write [{key}], in single brackets"
    if kind == "model_type":
        return f"{shown} is not a table", "Write it as { key = value }"
    if kind == "tuple_type":
        return f"{shown} is not a list", _list_advice(model, place)
    if kind == "float_type" and type(value) is int:
        return f"{shown} is far out of range", "Correct the value"
    if kind in _KINDS:
        return f"{shown} is not {_KINDS[kind][0]}", _kind_advice(kind, value)
    return f"{shown} does not fit", "Correct the value"


_LIMITS = {
    "greater_than": ("is not above {gt:.12g}", "Write a larger number"),
    "greater_than_equal": ("is under {ge:.12g}", "Write {ge:.12g} or more"),
    "less_than": ("is not under {lt:.12g}", "Write a smaller number"),
    "less_than_equal": ("is over {le:.12g}", "Write {le:.12g} or less"),
    "string_too_long": ("is longer than {max_length} letters", "Shorten it"),
    "too_long": ("holds more than {max_length} items", "Shorten it"),
    "too_short": ("holds fewer than {min_length} items", "Add one"),
}
_KINDS = {
    "float_type": ("a number", "Write a plain number, like 0.8"),
    "finite_number": ("a finite number", "Write a plain number, like 0.8"),
    "int_type": ("a whole number", "Write it without a decimal point"),
    "int_from_float": ("a whole number", "Write it without a decimal point"),
    "bool_type": ("true or false", "Write true or false, without quotes"),
    "string_type": ("text", "Put it in quotes"),
}


def _kind_advice(kind: str, value: object) -> str:
    if isinstance(value, str) and kind in ("float_type", "int_type") and _is_number(value):
        return "Take the quotes off"
    if kind == "int_type" and not isinstance(value, float):
        return "Write a whole number"
    return _KINDS[kind][1]


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _list_advice(model: type[Record], place: Place) -> str:
    """How the list should look: a range, a list of tables, or one of texts."""
    within: type[Record] | None = model
    for part in place[:-1]:
        within = record_of(within, part) if within and isinstance(part, str) else within
    key = str(place[-1])
    if within is not None and record_of(within, key) is not None:
        tables = ".".join(str(part) for part in place if isinstance(part, str))
        return f"Write [[{tables}]] above each"
    field = _fields(within).get(key) if within is not None else None
    if field is not None and str in get_args(field.annotation):
        return 'Write it in brackets, like ["M42 P4 S255"]'
    return "Write two numbers in brackets, like [0, 235]"


def _no_choice(value: object, expected: str) -> tuple[str, str]:
    names = re.findall(r"'([^']*)'", expected)
    near = difflib.get_close_matches(str(value).lower(), names, n=1)
    hint = f", nearest is {near[0]}" if near else ""
    if len(names) == 1:
        return f"{_shown(value)} is unknown{hint}", f'Write a number, or "{names[0]}"'
    return f"{_shown(value)} is unknown{hint}", f"Choose from {', '.join(names)}"


def _shown(value: object) -> str:
    """A value as it stands in the file, cut to a line."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, (date, time)):
        return f"the date or time {value.isoformat()}"
    try:
        text = f'"{value}"' if isinstance(value, str) and value.isprintable() else repr(value)
    except ValueError:  # a whole number of thousands of digits
        return "this number"
    return text if len(text) <= 60 else text[:57] + "..."


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
