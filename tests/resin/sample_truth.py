"""The sample containers and what is true of them, worked out apart from the code under test.

Nothing of ours is imported here. The samples were made by a generator of our own from public
descriptions of the formats (one by a slicing host, its texts then shortened); ``truth.json``
holds what the generator put in. This module looks at the bytes once more with `struct` alone
and adds up the instants of the lamp by hand, so that neither truth nor reader is taken on faith.
"""

from __future__ import annotations

import gzip
import io
import json
import struct
import zipfile
from functools import cache
from pathlib import Path
from typing import Any

DATA = Path(__file__).parents[1] / "data" / "resin"
BINARY = (
    "v2_aa4.cbddlp",
    "v2_key0.ctb",
    "v4_total.ctb",
    "static.goo",
    "v1.pws",
    "v515.pwmx",
    "v517_perlayer.pm5",
)
ZIPS = ("tilt.sl1", "tilt_fast_mixed_area.sl1", "commands.zip", "layers.vdt", "layers.uvj")
REFUSED = ("refuse_encrypted.ctb", "refuse.phz")


@cache
def sample(name: str) -> bytes:
    """The bytes of one sample."""
    return gzip.decompress((DATA / f"{name}.gz").read_bytes())


@cache
def all_truth() -> dict[str, Any]:
    read: dict[str, Any] = json.loads((DATA / "truth.json").read_text(encoding="utf-8"))
    return read


def truth(name: str) -> dict[str, Any]:
    return dict(all_truth()[name])


def exposures(name: str) -> list[float]:
    """Seconds of light of each layer: runs of [count, seconds] written out."""
    return [seconds for count, seconds in truth(name)["exposures"] for _ in range(count)]


def stages_s(moves: dict[str, float]) -> float:
    """Seconds of a cycle's moves, speeds in mm/s: d / v of each stage, summed."""
    pairs = (("h1", "u1"), ("h2", "u2"), ("r1", "d1"), ("r2", "d2"))
    return sum(moves[d] / moves[v] for d, v in pairs if moves.get(d))


def instants_by_hand(name: str, convention: str) -> tuple[list[float], float]:
    """(second at which the lamp goes on in each layer, end of the last cycle), from the
    moves and waits alone: the next light comes after exposure + gap."""
    facts = truth(name)
    on, now = [], 0.0
    for layer, light in enumerate(exposures(name)):
        kind = "bottom" if layer < facts["bottom_layers"] else "normal"
        moves = {**facts[f"moves_{kind}"]}
        override = facts["overrides"].get(str(layer), {})
        moves.update({key: value for key, value in override.items() if key != "exposure"})
        motion = stages_s(moves)
        off = facts["light_off"]
        off = off[kind] if isinstance(off, dict) else off
        waits = facts.get("waits_before_lift_after_lift_after_retract", {}).get(kind, [0])
        gap = {
            "max": max(motion, off),
            "add": motion + off,
            "without_off": motion,
            "waits": motion + sum(waits),
        }[convention]
        on.append(now)
        now += light + gap
    return on, now


def raw_layers(name: str) -> list[tuple[float, float]]:
    """(z mm, exposure s) of each layer, by the public descriptions of the three binary kinds."""
    data = sample(name)
    if data[2:4] == b"\xfd\x12":
        table, count = struct.unpack_from("<II", data, 0x40)
        rows = [struct.unpack_from("<ff", data, table + 36 * n) for n in range(count)]
        return [(round(z, 4), round(light, 4)) for z, light in rows]
    if data.startswith(b"V3.0"):
        (count,) = struct.unpack_from(">i", data, 195310)
        (at,) = struct.unpack_from(">i", data, 195310 + 160)
        found = []
        for _ in range(count):
            z, light = struct.unpack_from(">ff", data, at + 6)
            (size,) = struct.unpack_from(">i", data, at + 66)
            found.append((round(z, 4), round(light, 4)))
            at += 70 + size + 2
        return found
    slots = struct.unpack_from("<7I", data, 0x14)
    layers = slots[4]
    (count,) = struct.unpack_from("<I", data, layers + 16)
    found, z = [], 0.0
    for n in range(count):
        light, thick = struct.unpack_from("<ff", data, layers + 20 + 32 * n + 16)
        z += thick
        found.append((round(z, 4), round(light, 4)))
    return found


def members(name: str) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(sample(name))) as held:
        return {one: held.read(one) for one in held.namelist()}
