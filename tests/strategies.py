"""Hypothesis strategies: words, lines, small jobs, families, variants, profiles."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from hypothesis import strategies as st

from tests.read.slow import FIRMWARES
from tests.small_jobs import MARKS, Recipe, SmallJob, make_job
from tests.variants import VARIANTS, for_firmware, suits

firmwares = st.sampled_from(FIRMWARES)
variants = st.sampled_from([None, *VARIANTS])

numbers = st.one_of(
    st.integers(-300, 300).map(str),
    st.floats(-300, 300, allow_nan=False).map(lambda v: f"{v:.5f}"),
    st.integers(0, 99999).map(lambda v: f".{v:05d}"),
    st.integers(0, 300).map(lambda v: f"{v}."),
    st.integers(0, 300).map(lambda v: f"+{v}"),
    st.integers(0, 9).map(lambda v: f"-.{v}"),
)
words = st.one_of(
    st.builds(lambda letter, value: letter + value, st.sampled_from("XYZE"), numbers),
    st.integers(1, 12000).map(lambda rate: f"F{rate}"),
)
odd_bytes = st.binary(max_size=20).map(
    lambda raw: raw.replace(b"\n", b"").replace(b"\r", b"").replace(b"\0", b"")
)
comments = odd_bytes.map(lambda raw: b"; " + raw)

_modes = st.sampled_from(["G90", "G91", "M82", "M83", "G21", "G92 E0", "G92 X5 Y-2", "M106 S99"])
_moves = st.builds(
    lambda code, parts: " ".join([code, *parts]),
    st.sampled_from(["G0", "G1"]),
    st.lists(words, min_size=1, max_size=4, unique_by=lambda word: word[0]),
)
_texts = st.sampled_from(
    ["M117 G1 X9 E9", "EXCLUDE_OBJECT_START NAME=x", "G4 P20", "M400", "T0", "T1", "G10", "G11"]
)
lines = st.one_of(_moves, _moves, _modes, _texts).map(lambda text: text.encode()) | comments
soups = st.lists(lines, max_size=30).map(lambda parts: b"G90\nM82\n" + b"\n".join(parts) + b"\n")
"""Lines in no order at all: for the reader, never for blocks."""


@st.composite
def recipes(draw: st.DrawFn) -> Recipe:
    """A job to make; only combinations that sliced jobs have."""
    marks = draw(st.sampled_from(sorted(MARKS)))
    layers = draw(st.integers(2, 5))
    empty = draw(st.sampled_from([(), (), (2,)])) if marks in "ABD" and layers > 2 else ()
    return Recipe(
        marks=marks,
        layers=layers,
        heights_mm=draw(st.sampled_from([(0.2,), (0.3, 0.1, 0.2), (0.05,), (0.28, 0.14)])),
        relative_e=draw(st.booleans()),
        retract=draw(st.sampled_from(["moves", "moves", "firmware", "none"])),
        retract_mm=draw(st.sampled_from([0.4, 0.8, 2.0])),
        hop_mm=draw(st.sampled_from([0.0, 0.2, 0.6])),
        wipe=draw(st.booleans()),
        labels=draw(st.sampled_from(["", "comment", "command"])),
        thumbnail=draw(st.booleans()),
        settings_dump=draw(st.booleans()),
        raft_layers=draw(st.sampled_from([0, 0, 2])),
        empty_layers=empty,
        tools=draw(st.sampled_from([1, 1, 2])),
        purge=marks != "H" and draw(st.booleans()),
        end_code=draw(st.booleans()),
        progress=draw(st.sampled_from(["stats", "message", "percent"])),
        reset_e=draw(st.booleans()),
    )


@st.composite
def small_jobs(draw: st.DrawFn) -> SmallJob:
    return make_job(draw(recipes()))


@st.composite
def jobs_for_machines(draw: st.DrawFn) -> tuple[str, str | None, bytes, SmallJob]:
    """(firmware, variant, bytes as that machine would get them, the plain job)."""
    firmware = draw(firmwares)
    variant = draw(variants.filter(lambda name: suits(firmware, name)))
    recipe = draw(recipes())
    if firmware == "rs274" and recipe.retract == "firmware":
        recipe = replace(recipe, retract="moves")
    job = make_job(recipe)
    data = for_firmware(job.data, firmware, variant)
    where = draw(st.integers(0, 10))
    odd = draw(st.sampled_from([b"", b"; caf\xc3\xa9 \xe9", b"; G1 X9 E9 ;LAYER:5 ()*"]))
    if odd and variant is None:
        parts = data.split(b"\n")
        parts.insert(len(parts) * where // 10, odd)
        data = b"\n".join(parts)
    return firmware, variant, data, job


def profile_table(firmware: str, **changes: Any) -> dict[str, Any]:
    """A whole profile as a nested dict; `changes` are merged table by table."""
    table: dict[str, Any] = {
        "schema": 1,
        "name": "heron",
        "machine": {
            "firmware": firmware,
            "x_mm": [0, 235],
            "y_mm": [0, 235],
            "z_mm": [0, 250],
            "moves": "bed-y",
        },
        "park": {"x_mm": 8, "y_mm": 215},
        "capture": {"every_layers": 1, "first_layer": 2},
        "trigger": {"by": "wait", "fired_by": "sensor"},
    }
    if firmware == "rs274":
        table["machine"]["extruder_axis"] = "A"
    for name, change in changes.items():
        table[name] = {**table.get(name, {}), **change}
    return table


@st.composite
def profile_tables(draw: st.DrawFn, firmware: str) -> dict[str, Any]:
    """Profiles that fit the small jobs: parks on all sides, all retractions, two triggers."""
    firmware_can = firmware != "rs274"
    return profile_table(
        firmware,
        park={
            "x_mm": draw(st.sampled_from([0, 8, 120.5, 235])),
            "y_mm": draw(st.sampled_from([0, 10, 215, 235])),
            "clear_mm": draw(st.sampled_from([0.4, 0.8, 5.0])),
            "travel_mm_min": draw(st.sampled_from([3000, 9000])),
        },
        retract={
            "by": draw(st.sampled_from(["moves", "firmware"])) if firmware_can else "moves",
            "length_mm": draw(st.sampled_from([0, 0.8, 1.5])),
        },
        capture={
            "every_layers": draw(st.integers(1, 2)),
            "first_layer": draw(st.integers(1, 2)),
            "finished": draw(st.booleans()),
        },
    )
