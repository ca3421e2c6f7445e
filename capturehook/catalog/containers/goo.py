"""Jobs that begin with "V3.0" and a tag of 8 bytes (`.goo`, `.prz`). Big-endian throughout.

A header of fixed length, then one record after the other, each followed by its image. Sources:
"Goo Format Spec V1.2" (github.com/elegooofficial/GOO), which leaves the byte order unsaid; the
order and the checksum from public readers of the format (github.com, search "goo_format").
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capturehook.catalog.containers.fields import Fields, orbit, spread
from capturehook.errors import Finding
from capturehook.model.resin_job import LayerCycles, StoredJob

TAG = b"\x07\x00\x00\x00DLP\x00"
MARK = b"V3.0" + TAG
HEAD_AT, FEWEST_HEAD_BYTES = 195_310, 195_477
HEAD = np.dtype(
    [("count", ">i4"), ("wide", ">i2"), ("high", ">i2"), ("mirror", "u1", 2), ("bed", ">f4", 3),
     ("layer", ">f4"), ("light", ">f4"), ("waits", "u1"), ("off", ">f4"), ("low_rest", ">f4", 3),
     ("rest", ">f4", 3), ("low_light", ">f4"), ("bottoms", ">i4"), ("low_1", ">f4", (4, 2)),
     ("low_2", ">f4", (4, 2)), ("power", ">i2", 2), ("own", "u1"), ("stated", ">i4"),
     ("amount", ">f4", 3), ("currency", "S8"), ("layers_at", ">i4"), ("grey", "u1"),
     ("fade", ">i2")]
)  # fmt: skip
"""low_1: bottom lift, lift, bottom retract, retract, each (mm, mm/min); low_2: second stages."""
LAYER = np.dtype(
    [("pause", ">i2"), ("pause_z", ">f4"), ("z", ">f4"), ("light", ">f4"), ("off", ">f4"),
     ("rest", ">f4", 3), ("moves", ">f4", (4, 2)), ("power", ">i2"), ("end", "S2"),
     ("size", ">i4")]
)  # fmt: skip
"""moves: lift, lift 2, retract, retract 2."""
NEWLINE = b"\r\n"


class Goo:
    """Version 3.0, the one whose description is public."""

    name = "goo"
    what = "a .goo or .prz job"

    def claims(self, head: bytes) -> bool:
        return head.startswith(MARK)

    def read(self, fields: Fields) -> StoredJob:
        head = fields.table(HEAD_AT, 1, HEAD, "header")[0]
        count = fields.layer_count(int(head["count"]))
        if head["layers_at"] < FEWEST_HEAD_BYTES:
            raise fields.bad("header", f"puts the layers at byte {head['layers_at']}")
        screen = fields.screen(int(head["wide"]), int(head["high"]))
        rows, images = _walk(fields, int(head["layers_at"]), count)
        bottoms = min(max(int(head["bottoms"]), 0), count)
        cycles = _cycles(head, rows, bottoms)
        bed_x = float(head["bed"][0])
        return StoredJob(
            kind=self.name,
            evidence="the header and the records of a version 3.0 file",
            cycles=fields.check(cycles),
            bottom_layers=bottoms,
            light_off=("lift", "retract"),
            stated_s=float(head["stated"]) if head["stated"] > 0 else None,
            screen_px=screen,
            pitch_mm=bed_x / screen[0] if 10 < bed_x < 2000 else 0.0,
            images=images,
            findings=tuple(_findings(str(fields.path), head, rows, bottoms)),
        )

    def pixels(self, fields: Fields, job: StoredJob, layer_index: int) -> NDArray[np.uint8]:
        """(H, W) grey of one layer, 0 to 255."""
        code, what = fields.image(job, layer_index)
        body = code[1:-1]
        if len(code) < 3 or code[0] != 0x55 or (~np.sum(body, dtype=np.uint8)) & 0xFF != code[-1]:
            raise fields.bad(what, "does not agree with its checksum")
        return spread(fields, *_runs(fields, body, what), job.screen_px, what)


def _walk(fields: Fields, at: int, count: int) -> tuple[NDArray[Any], tuple[str, ...]]:
    """The records, one after the other; the file must end right after the last."""
    rows = np.zeros(count, LAYER)
    images = []
    for layer in range(count):
        what = f"layer {layer + 1}"
        rows[layer] = fields.table(at, 1, LAYER, what)[0]
        size = int(rows[layer]["size"])
        if rows[layer]["end"] != NEWLINE or size < 0:
            raise fields.bad(what, "is not where the layer before says")
        images.append(f"{at + LAYER.itemsize} {size}")
        at += LAYER.itemsize + size
        if fields.raw(at, 2, what) != NEWLINE:
            raise fields.bad(what, "does not end where it says")
        at += 2
    if fields.raw(at, 3 + len(TAG), "end") != b"\0\0\0" + TAG:
        raise fields.bad("end", f"does not come after {count} layers")
    return rows, tuple(images)


def _cycles(head: Any, rows: NDArray[Any], bottoms: int) -> LayerCycles:
    """Header rules in advance mode 0, records rule in 1; exposures always by the records,
    where the fading layers stand in either mode."""
    count = len(rows)
    if head["own"] == 1:
        moves = rows["moves"].astype(np.float64)
        rest, off = rows["rest"].astype(np.float64), rows["off"].astype(np.float64)
    else:
        is_bottom = (np.arange(count) < bottoms)[:, None, None]
        first, second = head["low_1"].astype(np.float64), head["low_2"].astype(np.float64)
        low = np.stack([first[0], second[0], first[2], second[2]])
        normal = np.stack([first[1], second[1], first[3], second[3]])
        moves = np.where(is_bottom, low, normal)
        rest = np.where(
            is_bottom[:, :, 0], head["low_rest"].astype(np.float64), head["rest"].astype(np.float64)
        )
        off = np.full(count, float(head["off"]))
    if head["waits"] == 1:
        off = np.zeros(count)
    else:
        rest = np.zeros((count, 3))
    return LayerCycles(
        z_mm=rows["z"].astype(np.float64).round(5),
        exposure_s=rows["light"].astype(np.float64).round(5),
        lift_mm=moves[:, :2, 0],
        lift_mm_min=moves[:, :2, 1],
        retract_mm=moves[:, 2:, 0],
        retract_mm_min=moves[:, 2:, 1],
        rest_s=np.column_stack([np.zeros(count), rest]),
        light_off_s=off,
        tilt_s=np.zeros(count),
    )


def _findings(path: str, head: Any, rows: NDArray[Any], bottoms: int) -> Iterator[Finding]:
    paused = np.flatnonzero(rows["pause"] > 0)
    if len(paused):
        text = (
            f"{len(paused)} layer(s) pause the print until somebody goes on, the first is layer "
            f"{paused[0] + 1}: all instants after it come later by that wait"
        )
        yield Finding("resin-pause", path, text)
    up, down = head["low_1"][:2, 0] + head["low_2"][:2, 0], head["low_1"][2:, 0]
    down = down + head["low_2"][2:, 0]
    if (np.abs(up - down) > 0.01).any() and head["own"] == 0:
        text = f"lifts {up[1]:g} mm but comes down {down[1]:g} mm: the file was edited"
        yield Finding("resin-uneven-lift", path, text)
    rest = rows[bottoms + max(int(head["fade"]), 0) :]
    if head["own"] == 0 and len(rest) and (np.abs(rest["light"] - head["light"]) > 1e-3).any():
        text = (
            "its layers state other exposures than its header, which rules by its own mode: "
            "the layers' exposures are planned with; two clock readings tell which holds"
        )
        yield Finding("resin-two-exposures", path, text)


def _runs(
    fields: Fields, code: NDArray[np.uint8], what: str
) -> tuple[NDArray[np.uint8], NDArray[np.int64]]:
    """(grey, count) of runs.

    Bits 7 and 6 of a run: 00 black, 11 white, 01 a byte of grey follows, 10 a difference to the
    run before. Bits 5 and 4: further bytes of length, whose low nibble stands in the run itself;
    for a difference bit 5 is its sign and bit 4 says that one byte of length follows.
    """
    padded = np.append(code, np.zeros(5, np.uint8))
    kind, more = code >> 6, (code >> 4) & 3
    step = np.where(kind == 2, 1 + (more & 1), 1 + more + (kind == 1))
    starts = orbit(step)
    kind, more, low = kind[starts], more[starts], (code[starts] & 15).astype(np.int64)
    if len(starts) and starts[-1] + step[starts[-1]] > len(code):
        raise fields.bad(what, "ends inside a run")
    first = starts + 1 + (kind == 1)
    count = low.copy()
    for size in (1, 2, 3):
        rows = np.flatnonzero((kind != 2) & (more == size))
        value = padded[first[rows]].astype(np.int64)
        for by in range(1, size):
            value = (value << 8) | padded[first[rows] + by]
        count[rows] = (value << 4) | low[rows]
    by_step = kind == 2
    count[by_step] = np.where(more[by_step] & 1, padded[first[by_step]], 1)
    change = np.where(by_step, np.where(more & 2, -low, low), 0)
    told = np.select([kind == 3, kind == 1], [255, padded[starts + 1].astype(np.int64)], default=0)
    last = np.maximum.accumulate(np.where(by_step, -1, np.arange(len(starts))))
    climb = np.cumsum(change)
    base = np.where(last >= 0, told[last] - climb[last], 0)
    return np.clip(base + climb, 0, 255).astype(np.uint8), count
