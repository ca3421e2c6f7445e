"""Three kinds of zip that describe their layers in JSON, read by the members they hold.

`config.json` with "Properties" and "Layers" (`.uvj`; github.com/ezrec/uv3dp, uvj/README.md);
`manifest.json` with "machine" and "print" (`.vdt`; from the one public reader of it, and seen in
no real file); `plate.json` beside `profile.json`, whose moves are code of the machine: its
exposures are read and nothing else (from one public writer of it).
"""

from __future__ import annotations

import json
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capturehook.catalog.containers.fields import MOST_LAYERS, check_cycles, exposures, stages
from capturehook.catalog.containers.zip_file import Container, gaps, numbered_images
from capturehook.errors import FileError, Finding, Where
from capturehook.model.resin_job import LayerCycles, StoredJob

FIX = "Copy the file again, or give the numbers by flags (see --help)"
MOST = 1e8


class Table:
    """One JSON object of a member; every fault names the member and the key."""

    def __init__(self, path: str, name: str, held: Any) -> None:
        self.path, self.name = path, name
        if not isinstance(held, dict):
            raise self.bad("", "is no JSON object")
        self.held = held

    def bad(self, key: str, found: str) -> FileError:
        return FileError(Where(self.path, key=f"{self.name}: {key}".rstrip(": ")), found, FIX)

    def table(self, key: str) -> Table:
        return Table(self.path, f"{self.name}: {key}", self.held.get(key, {}))

    def rows(self, key: str) -> list[Table]:
        held = self.held.get(key) or []
        if not isinstance(held, list) or len(held) > MOST_LAYERS:
            raise self.bad(key, "is no list of layers")
        return [Table(self.path, f"{self.name}: layer {n}", row) for n, row in enumerate(held, 1)]

    def number(self, key: str, default: float | None = None) -> float:
        """A number of 0 or more."""
        value = self.held.get(key, default)
        if value is None:
            raise self.bad(key, "is missing")
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 <= value < MOST:
            raise self.bad(key, f"{str(value)[:40]} is no number of 0 or more")
        return float(value)


def open_table(container: Container, name: str) -> Table:
    """A member that is one JSON object."""
    try:
        held = json.loads(container.read_text(name).decode("utf-8-sig"))
    except (ValueError, RecursionError) as fault:
        raise FileError(
            Where(str(container.path), key=name), f"is damaged JSON ({str(fault)[:80]})", FIX
        ) from fault
    return Table(str(container.path), name, held)


def _has(container: Container, name: str, *keys: str) -> bool:
    if name not in container.names:
        return False
    text = container.read_text(name)
    return all(f'"{key}"'.encode() in text for key in keys)


def _checked(table: Table, layers: list[dict[str, float]]) -> LayerCycles:
    """Cycles from one dict a layer (0 for what it leaves out), once every number is one a printer
    can have."""
    if not 1 <= len(layers) <= MOST_LAYERS:
        raise table.bad("", f"counts {len(layers)} layers (1 to {MOST_LAYERS})")

    def column(name: str) -> NDArray[np.float64]:
        return np.array([row.get(name, 0.0) for row in layers], np.float64)

    def columns(*names: str) -> NDArray[np.float64]:
        return stages(*map(column, names))

    cycles = LayerCycles(
        z_mm=column("z").round(5),
        exposure_s=column("light").round(5),
        lift_mm=columns("lift", "lift_2"),
        lift_mm_min=columns("lift_speed", "lift_2_speed"),
        retract_mm=columns("drop", "drop_2"),
        retract_mm_min=columns("drop_speed", "drop_2_speed"),
        rest_s=columns("before_light", "before_lift", "lifted", "down"),
        light_off_s=column("off"),
        tilt_s=np.zeros(len(layers)),
    )
    return check_cycles(cycles, table.bad)


def _stored(
    kind: str, container: Container, table: Table, cycles: LayerCycles, stated: int = 0, **more: Any
) -> StoredJob:
    """What such zips have in common: one image a layer, none at all where there are not as many;
    and findings where layers, their stated count and their images differ in number."""
    path, layers = str(container.path), len(cycles)
    images, _ = numbered_images(container.names)
    names = tuple(name for _, name in images) if len(images) == layers else ("",) * layers
    differ = ""
    if stated and stated != layers:
        differ = f"states {stated} layers, but describes {layers}"
    elif images and len(images) != layers:
        differ = f"describes {layers} layers, but holds {len(images)} layer images"
    counts = [Finding("resin-layer-count", path, differ)] if differ else []
    return StoredJob(
        **{"kind": kind, "text_name": table.name, "evidence": f"{table.name}: {layers} layers"}
        | more,
        cycles=cycles,
        images=names,
        findings=(*gaps(images, path), *counts),
    )


class Uvj:
    """`config.json` and `slice/00000000.png`."""

    name = "uvj"
    what = "a zip with config.json (.uvj)"

    def claims(self, container: Container) -> bool:
        return _has(container, "config.json", "Properties", "Size", "Exposure")

    def read(self, container: Container) -> StoredJob:
        config = open_table(container, "config.json")
        head = config.table("Properties")
        size, bottom = head.table("Size"), head.table("Bottom")
        count, thick = int(size.number("Layers")), size.number("LayerHeight")
        bottoms = int(bottom.number("Count", 0))
        rows = config.rows("Layers")
        if not rows and 1 <= count <= MOST_LAYERS:
            kinds = (bottom, head.table("Exposure"))
            layers = [
                _uvj_layer(kinds[0] if n < bottoms else kinds[1], (n + 1) * thick)
                for n in range(count)
            ]
        else:
            layers = [_uvj_layer(row.table("Exposure"), row.number("Z")) for row in rows]
        cycles = _checked(config, layers)
        wide_mm = size.table("Millimeter").number("X", 0)
        wide = int(size.number("X", 0))
        return _stored(
            self.name,
            container,
            config,
            cycles,
            count,
            bottom_layers=min(bottoms, len(cycles)),
            light_off=("lift", "retract"),
            screen_px=(wide, int(size.number("Y", 0))),
            pitch_mm=wide_mm / wide if wide else 0.0,
        )


def _uvj_layer(moves: Table, z_mm: float) -> dict[str, float]:
    lift = moves.number("LiftHeight", 0)
    return {
        "z": z_mm,
        "light": moves.number("LightOnTime"),
        "off": moves.number("LightOffTime", 0),
        "lift": lift,
        "lift_speed": moves.number("LiftSpeed", 0),
        "drop": moves.number("RetractHeight", lift) or lift,
        "drop_speed": moves.number("RetractSpeed", moves.number("LiftSpeed", 0)),
    }


class Vdt:
    """`manifest.json` and numbered images."""

    name = "vdt"
    what = "a zip with manifest.json (.vdt)"

    def claims(self, container: Container) -> bool:
        return _has(container, "manifest.json", "machine", "print", "layers")

    def read(self, container: Container) -> StoredJob:
        manifest = open_table(container, "manifest.json")
        head, machine = manifest.table("print"), manifest.table("machine")
        cycles = _checked(manifest, [_vdt_layer(row) for row in manifest.rows("layers")])
        wide, wide_mm = machine.number("resolution_x", 0), machine.number("lcd_width", 0)
        return _stored(
            self.name,
            container,
            manifest,
            cycles,
            bottom_layers=min(int(head.number("bottom_layers", 0)), len(cycles)),
            light_off=("lift", "retract"),
            stated_s=manifest.table("print_statistics").number("estimated_time", 0) or None,
            screen_px=(int(wide), int(machine.number("resolution_y", 0))),
            pitch_mm=wide_mm / wide if wide else 0.0,
        )


def _vdt_layer(row: Table) -> dict[str, float]:
    """Lift 1 and 2 follow each other; down: what the second retract leaves, then that."""
    lift, lift_2 = row.number("lift_distance", 0), row.number("lift_distance2", 0)
    drop_2 = min(row.number("retract_distance2", 0), lift + lift_2)
    waits = {
        "before_lift": row.number("wait_time_after_cure", 0),
        "lifted": row.number("wait_time_after_lift", 0),
        "down": row.number("wait_time_before_cure", 0),
    }
    return {
        **waits,
        "z": row.number("height"),
        "light": row.number("exposure_time"),
        "off": 0.0 if any(waits.values()) else row.number("light_off_delay", 0),
        "lift": lift,
        "lift_speed": row.number("lift_speed", 0),
        "lift_2": lift_2,
        "lift_2_speed": row.number("lift_speed2", 0),
        "drop": lift + lift_2 - drop_2,
        "drop_speed": row.number("retract_speed", 0),
        "drop_2": drop_2,
        "drop_2_speed": row.number("retract_speed2", 0),
    }


class PlateZip:
    """`plate.json` and `profile.json`: exposures are stated, moves are code of the machine."""

    name = "plate"
    what = "a zip with plate.json and profile.json"

    def claims(self, container: Container) -> bool:
        return {"plate.json", "profile.json"} <= set(container.names)

    def read(self, container: Container) -> StoredJob:
        plate, profile = open_table(container, "plate.json"), open_table(container, "profile.json")
        count = int(plate.number("LayersCount"))
        if not 1 <= count <= MOST_LAYERS:
            raise plate.bad("LayersCount", f"{count} is no valid count (1 to {MOST_LAYERS})")
        bottoms = min(int(profile.number("SupportLayerNumber", 0)), count)
        light = profile.number("CureTime")
        fade = int(profile.number("TransitionalLayer", 0))
        bottom = (bottoms, profile.number("SupportCureTime", light))
        light_s = exposures(count, bottom, light, fade, fade + 1).round(5)
        thick = profile.number("Depth") / 1000.0
        layers = [{"z": (n + 1) * thick, "light": float(one)} for n, one in enumerate(light_s)]
        return _stored(
            self.name,
            container,
            plate,
            _checked(plate, layers),
            evidence=f"plate.json: {count} layers; profile.json: exposures, no moves",
            bottom_layers=bottoms,
            lacks=("lift", "rests"),
            stated_s=plate.number("PrintEst", 0) or None,
        )
