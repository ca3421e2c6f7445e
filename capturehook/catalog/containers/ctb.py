"""Jobs that begin with 0x12FD0019, 0x12FD0086 or 0x12FD0106 (`.photon`, `.cbddlp`, `.ctb`).

Little-endian tables: header, print settings P, more settings S, a block of version 4, a layer
table, and from version 3 on a record of its own before the image of each layer. Sources:
github.com/cbiffle/catibo, doc/cbddlp-ctb.adoc; github.com/futurelink/msla-imaging; and
github.com/ezrec/uv3dp, which agree on what is read here.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capturehook.catalog.containers.fields import Fields, orbit, spread, stages
from capturehook.errors import Finding
from capturehook.model.resin_job import LayerCycles, StoredJob

PLAIN_RUNS, GREY_RUNS, GREY_RUNS_4 = 0x12FD0019, 0x12FD0086, 0x12FD0106
LAYER = np.dtype(
    [("z", "<f4"), ("light", "<f4"), ("off", "<f4"), ("at", "<u4"), ("size", "<u4"),
     ("page", "<u4"), ("rest", "<u4", 3)]
)  # fmt: skip
PAGE = 1 << 32
OWN_BYTES = 84
OWN = (
    "lift", "lift_speed", "lift_2", "lift_2_speed", "drop_speed", "drop_2", "drop_2_speed",
    "before_lift", "lifted", "down",
)  # fmt: skip
"""Moves of one kind of layer: mm, mm/min, s; ``lift`` counts both stages."""
Moves = dict[str, float]


class Ctb:
    """The three plain kinds of one family of containers."""

    name = "ctb"
    what = "a .photon, .cbddlp or plain .ctb job"

    def claims(self, head: bytes) -> bool:
        return int.from_bytes(head[:4], "little") in (PLAIN_RUNS, GREY_RUNS, GREY_RUNS_4)

    def read(self, fields: Fields) -> StoredJob:
        """Tables of the file; see :class:`StoredJob`."""
        _, version = fields.take(0, "<II", "header")
        if not 1 <= version <= 5:
            raise fields.unread(f"is of version {version} (1 to 5 are read)")
        bed_x, _, _ = fields.take(0x08, "<3f", "header")
        height, *_, off, bottoms = fields.take(0x1C, "<5fI", "header")
        wide, high, _, table_at, count = fields.take(0x34, "<5I", "header")
        stated, _, p_at, _, level_sets = fields.take(0x4C, "<5I", "header")
        count = fields.layer_count(count)
        rows = fields.table(table_at, count, LAYER, "layer table")
        normal = low = dict.fromkeys(OWN, 0.0)
        off_by = [off, off]
        if version >= 2:
            normal, low, off_by = _settings(fields, version, p_at)
        else:
            bottoms = min(bottoms, count)
        screen = fields.screen(wide, high)
        is_bottom = np.arange(count) < bottoms
        moves = {name: np.where(is_bottom, low[name], normal[name]) for name in OWN}
        light_off = np.where(rows["off"] > 0, rows["off"], np.where(is_bottom, *off_by))
        if version >= 3:
            _own_moves(fields, rows, version, moves)
        waits = moves["before_lift"] + moves["lifted"] + moves["down"] > 0
        cycles = _cycles(rows, moves, np.where(waits, 0.0, light_off))
        short = bool((moves["lift"] < moves["lift_2"]).any())
        told = ", whose lifts are those of the first stage alone" if short else ""
        return StoredJob(
            kind=self.name,
            evidence=f"the layer table of a version {version} file{told}",
            cycles=fields.check(cycles),
            bottom_layers=min(int(bottoms), count),
            light_off=("lift", "retract"),
            lacks=("lift", "rests") if version == 1 else (),
            stated_s=float(stated) or None,
            height_mm=float(height),
            screen_px=screen,
            pitch_mm=float(bed_x) / wide if 10 < bed_x < 2000 else 0.0,
            images=_images(fields, count, table_at, level_sets),
            findings=tuple(_findings(fields, height, cycles)),
        )

    def pixels(self, fields: Fields, job: StoredJob, layer_index: int) -> NDArray[np.uint8]:
        """(H, W) grey of one layer, 0 to 255."""
        code, what = fields.image(job, layer_index)
        (magic,) = fields.take(0, "<I", "header")
        if magic == PLAIN_RUNS:
            lit = np.where(code & 0x80, 255, 0).astype(np.uint8)
            return spread(fields, lit, (code & 0x7F).astype(np.int64), job.screen_px, what)
        (key,) = fields.take(0x64, "<I", "header")
        if key:
            code = _open(code, key, layer_index)
        return spread(fields, *_grey_runs(fields, code, what), job.screen_px, what)


def _settings(fields: Fields, version: int, p_at: int) -> tuple[Moves, Moves, list[float]]:
    """(normal moves, bottom moves, light-off [bottom, normal]) of P, S and the version 4 block."""
    p = fields.take(p_at, "<10fI", "print settings")
    low_lift, low_speed, lift, speed, drop_speed = p[:5]
    off_by = [p[8], p[9]]
    s_at, s_size = fields.take(0x68, "<2I", "header")
    s: tuple[Any, ...] = (0.0,) * 7
    down = lifted_copy = 0.0
    v4_at = 0
    if s_size >= 76 and version >= 3:
        s = fields.take(s_at, "<7f", "settings S")
        down, lifted_copy = fields.take(s_at + 0x34, "<2f", "settings S")
        (v4_at,) = fields.take(s_at + 0x40, "<I", "settings S")
    low_drop_speed, low_drop_2_speed, low_drop_2, before_lift = drop_speed, s[5], s[4], 0.0
    lifted = s[6] or lifted_copy
    if version >= 4 and v4_at:
        block = fields.take(v4_at, "<10f", "settings of version 4")
        low_drop_speed, low_drop_2_speed = block[0], block[1]
        down, lifted, before_lift, low_drop_2 = block[6:10]
    rests = {"before_lift": before_lift, "lifted": lifted, "down": down}
    normal = dict(
        lift=lift, lift_speed=speed, lift_2=s[2], lift_2_speed=s[3], drop_speed=drop_speed,
        drop_2=s[4], drop_2_speed=s[5], **rests,
    )  # fmt: skip
    low = dict(
        lift=low_lift, lift_speed=low_speed, lift_2=s[0], lift_2_speed=s[1],
        drop_speed=low_drop_speed, drop_2=low_drop_2, drop_2_speed=low_drop_2_speed, **rests,
    )  # fmt: skip
    if version < 4:  # the lift fields hold the first stage alone
        for moves in (normal, low):
            moves["lift"] += moves["lift_2"]
    return normal, low, off_by


def _own_moves(
    fields: Fields, rows: NDArray[Any], version: int, moves: dict[str, NDArray[np.float64]]
) -> None:
    """Put each layer's own record over the settings, where it is that layer's.

    Layers with equal images may share one, which then holds the first user's numbers: its
    first 36 bytes tell whose it is.
    """
    at = rows["at"].astype(np.int64) + rows["page"].astype(np.int64) * PAGE - OWN_BYTES
    for layer in np.flatnonzero(at >= 0).tolist():
        if at[layer] + OWN_BYTES > fields.size:
            continue
        own = fields.take(int(at[layer]), "<2f28xI11f", f"record of layer {layer + 1}")
        z, light = own[0], own[1]
        if z != rows["z"][layer] or light != rows["light"][layer]:
            continue
        names = OWN if version >= 4 else ("lift", "lift_speed", "drop_speed")
        values = dict(zip(OWN, own[3:13], strict=True))
        if values["lift"] <= 0 or values["lift_speed"] <= 0 or values["drop_speed"] <= 0:
            continue
        if version < 4:  # the first stage alone, as in the settings
            values["lift"] += moves["lift_2"][layer]
        for name in names:
            moves[name][layer] = values[name]


def _cycles(
    rows: NDArray[Any], moves: dict[str, NDArray[np.float64]], light_off: NDArray[np.float64]
) -> LayerCycles:
    """Two-stage moves: up slowly and then fast, down fast and then slowly; lift = total.

    Early writers of version 4 put the first stage alone into the lift: it is then shorter
    than the second stage, and is taken as it stands.
    """
    total = np.where(
        moves["lift"] < moves["lift_2"], moves["lift"] + moves["lift_2"], moves["lift"]
    )
    count, second_drop = len(rows), np.minimum(moves["drop_2"], total)
    return LayerCycles(
        z_mm=rows["z"].astype(np.float64).round(5),
        exposure_s=rows["light"].astype(np.float64).round(5),
        lift_mm=stages(total - moves["lift_2"], moves["lift_2"]),
        lift_mm_min=stages(moves["lift_speed"], moves["lift_2_speed"]),
        retract_mm=stages(total - second_drop, second_drop),
        retract_mm_min=stages(moves["drop_speed"], moves["drop_2_speed"]),
        rest_s=stages(np.zeros(count), moves["before_lift"], moves["lifted"], moves["down"]),
        light_off_s=np.asarray(light_off, np.float64),
        tilt_s=np.zeros(count),
    )


def _findings(fields: Fields, height: float, cycles: LayerCycles) -> Iterator[Finding]:
    last = float(cycles.z_mm[-1])
    step = last / len(cycles)
    if abs(height - last) > 1.5 * step:
        text = f"states a height of {height:g} mm, but its last layer is at {last:g} mm"
        yield Finding("resin-layer-count", str(fields.path), text)


def _images(fields: Fields, count: int, table_at: int, level_sets: int) -> tuple[str, ...]:
    """Where each layer's image is; of several level sets the last is their union."""
    if 1 < level_sets <= 16:
        table_at += (level_sets - 1) * count * LAYER.itemsize
    if table_at + count * LAYER.itemsize > fields.size:
        return ("",) * count
    rows = fields.table(table_at, count, LAYER, "layer table")
    at = rows["at"].astype(np.int64) + rows["page"].astype(np.int64) * PAGE
    return fields.images(at, rows["size"])


def _open(code: NDArray[np.uint8], key: int, layer_index: int) -> NDArray[np.uint8]:
    """The image with the key of the header taken off: XOR with words X0, X0 + c, ...

    X0 = (layer x 0x1E1530CD + 0xEC3D47CD) c, c = key x 0x2D83CDAC + 0xD8A83423, mod 2^32.
    Source: catibo, src/crypto.rs.
    """
    mask = 0xFFFFFFFF
    c = (key * 0x2D83CDAC + 0xD8A83423) & mask
    first = ((layer_index * 0x1E1530CD + 0xEC3D47CD) * c) & mask
    words = np.arange(-(-len(code) // 4), dtype=np.uint32) * np.uint32(c) + np.uint32(first)
    return np.asarray(code ^ words.astype("<u4").view(np.uint8)[: len(code)])


def _grey_runs(
    fields: Fields, code: NDArray[np.uint8], what: str
) -> tuple[NDArray[np.uint8], NDArray[np.int64]]:
    """(grey, count) of runs: 7 bits of grey; bit 7 says that a count of 1 to 4 bytes follows."""
    padded = np.append(code, np.zeros(5, np.uint8))
    head = padded[1 : len(code) + 1]
    more = np.ones(len(code), np.uint8)
    for size, least, most in ((2, 0x80, 0xC0), (3, 0xC0, 0xE0), (4, 0xE0, 0xF0)):
        more[(head >= least) & (head < most)] = size
    more[code < 0x80] = 0
    starts = orbit(more + np.uint8(1))
    length = more[starts]
    if len(starts) and starts[-1] + length[-1] >= len(code):
        raise fields.bad(what, "ends inside a run")
    count = np.ones(len(starts), np.int64)
    for size, keep in ((1, 0x7F), (2, 0x3F), (3, 0x1F), (4, 0x0F)):
        rows = np.flatnonzero(length == size)
        value = (padded[starts[rows] + 1] & keep).astype(np.int64)
        for by in range(2, size + 1):
            value = (value << 8) | padded[starts[rows] + by]
        count[rows] = value
    grey = code[starts] & 0x7F
    return (grey << 1 | grey >> 6).astype(np.uint8), count
