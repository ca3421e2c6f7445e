"""Jobs of named tables (`.pws`, `.pwmx`, `.pm3`, `.pm5` and their like), versions 1 and 515 to 517.

Little-endian; speeds in mm/s. Tables are found by the addresses at the front, never by their
lengths, which count differently from table to table. Source: github.com/futurelink/msla-imaging
and its four real sample files, in one of which two-stage moves add up to the stated time.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capturehook.catalog.containers.fields import Fields, spread
from capturehook.errors import FileError, Finding
from capturehook.model.resin_job import LayerCycles, StoredJob

MARK = b"ANYCUBIC\0\0\0\0"
KNOWN = (1, 515, 516, 517)
MACHINE_CHOOSES = 518
LAYER = np.dtype(
    [("at", "<u4"), ("size", "<u4"), ("lift", "<f4"), ("lift_speed", "<f4"), ("light", "<f4"),
     ("thick", "<f4"), ("lit", "<u4"), ("zero", "<u4")]
)  # fmt: skip
BODY = 16
"""Bytes of a table's own head: a name of 12 and a length."""
HEADER_SLOT, LAYER_SLOT, EXTRA_SLOT, MACHINE_SLOT = 0, 4, 5, 6


class Tables:
    """All versions whose layer table is known."""

    name = "tables"
    what = "a .pws, .pwmx, .pm3, .pm5 or like job"

    def claims(self, head: bytes) -> bool:
        return head.startswith(MARK)

    def read(self, fields: Fields) -> StoredJob:
        version, _, header_at = fields.take(0x0C, "<3I", "front")
        slots = (header_at - 0x14) // 4
        if version == MACHINE_CHOOSES:
            raise fields.unread("is of version 518, in which the machine chooses exposures")
        if version not in KNOWN:
            raise fields.unread(f"is of version {version} ({', '.join(map(str, KNOWN))} are read)")
        if not 7 <= slots <= 16:
            raise fields.bad("front", f"would have {slots} addresses")
        addresses = fields.take(0x14, f"<{slots}I", "front")
        at = _body(fields, addresses[HEADER_SLOT], b"HEADER")
        pitch_um, layer_mm, _, off, _, bottoms, _, _, drop_speed = fields.take(at, "<9f", "header")
        wide, high = fields.take(at + 0x2C, "<2I", "header")
        (stated,) = fields.take(at + 0x44, "<I", "header")
        length, two_stage = (*fields.take(at - 4, "<I", "header"), 0)
        if length >= 84:
            (two_stage,) = fields.take(at + 0x50, "<I", "header")
        table_at = _body(fields, addresses[LAYER_SLOT], b"LAYERDEF")
        length, count = fields.take(table_at - 4, "<2I", "layer table")
        count = fields.layer_count(count)
        if length != 4 + count * LAYER.itemsize:
            raise fields.bad("layer table", f"counts {count} layers in {length} bytes")
        rows = fields.table(table_at + 4, count, LAYER, "layer table")
        screen = fields.screen(wide, high)
        bottom_layers = min(max(int(bottoms), 0), count) if np.isfinite(bottoms) else 0
        extra = None
        if version >= 516 and two_stage == 1:
            extra = _two_stages(fields, addresses[EXTRA_SLOT])
        z_mm = np.cumsum(rows["thick"].astype(np.float64)).round(5)
        cycles = _cycles(rows, z_mm, bottom_layers, off, drop_speed, extra)
        return StoredJob(
            kind=self.name,
            evidence=f"the layer table of a version {version} file",
            cycles=fields.check(cycles),
            bottom_layers=bottom_layers,
            light_off=("retract", "none"),
            stated_s=float(stated) or None,
            screen_px=screen,
            pitch_mm=pitch_um / 1000.0 if 1 < pitch_um < 1000 else 0.0,
            lit_px=rows["lit"].astype(np.float64),
            images=fields.images(rows["at"], rows["size"]),
            findings=tuple(_findings(fields, z_mm, layer_mm)),
        )

    def pixels(self, fields: Fields, job: StoredJob, layer_index: int) -> NDArray[np.uint8]:
        """(H, W) grey of one layer, 0 to 255. The code of images is told by the machine table,
        before version 516 by trying: the runs of one code alone fill the screen."""
        code, what = fields.image(job, layer_index)
        try:
            return spread(fields, *_nibble_runs(fields, code, what), job.screen_px, what)
        except FileError:
            return _bit_runs(fields, code, job.screen_px, what)


def _body(fields: Fields, at: int, name: bytes) -> int:
    """Where a table's body begins, once its name stands there."""
    (found,) = fields.take(at, "<12s", name.decode())
    if found.rstrip(b"\0") != name:
        raise fields.bad(name.decode(), f"is not at byte {at}, where the file says it is")
    return int(at) + BODY


def _two_stages(fields: Fields, address: int) -> NDArray[np.float64]:
    """(2, 6) bottom and normal: height 1, up 1, down 1, height 2, up 2, down 2; mm, mm/s."""
    at = _body(fields, address, b"EXTRA")
    kinds = [fields.take(at + by, "<6f", "EXTRA") for by in (4, 32)]
    return np.array(kinds, np.float64)


def _cycles(
    rows: NDArray[Any],
    z_mm: NDArray[np.float64],
    bottoms: int,
    off: float,
    drop_speed: float,
    extra: NDArray[np.float64] | None,
) -> LayerCycles:
    """Moves by the layer records; by EXTRA where two stages are on. The stated time of a real
    file is met with down 1 over height 1 and down 2 over height 2; down 2 comes first."""
    count = len(rows)
    if extra is None:
        lift, lift_speed = rows["lift"].astype(np.float64)[:, None], rows["lift_speed"][:, None]
        drop, drop_speeds = lift, np.full((count, 1), drop_speed)
    else:
        own = extra[np.where(np.arange(count) < bottoms, 0, 1)]
        lift, lift_speed = own[:, [0, 3]], own[:, [1, 4]]
        drop, drop_speeds = own[:, [3, 0]], own[:, [5, 2]]
    return LayerCycles(
        z_mm=z_mm,
        exposure_s=rows["light"].astype(np.float64).round(5),
        lift_mm=np.asarray(lift, np.float64),
        lift_mm_min=np.asarray(lift_speed, np.float64) * 60.0,
        retract_mm=np.asarray(drop, np.float64),
        retract_mm_min=np.asarray(drop_speeds, np.float64) * 60.0,
        rest_s=np.zeros((count, 4)),
        light_off_s=np.full(count, float(off)),
        tilt_s=np.zeros(count),
    )


def _findings(fields: Fields, z_mm: NDArray[np.float64], layer_mm: float) -> Iterator[Finding]:
    expected = layer_mm * len(z_mm)
    if abs(z_mm[-1] - expected) > 0.1 * expected:
        text = f"states layers of {layer_mm:g} mm, but its {len(z_mm)} layers make {z_mm[-1]:g} mm"
        yield Finding("resin-layer-count", str(fields.path), text)


def _nibble_runs(
    fields: Fields, code: NDArray[np.uint8], what: str
) -> tuple[NDArray[np.uint8], NDArray[np.int64]]:
    """(grey, count): high nibble grey; black and white take 12 bits of count, others 4."""
    grey = code >> 4
    is_wide = (grey == 0) | (grey == 15)
    # A wide code's second byte is no code: of wide-looking bytes in a row every other one is.
    places = np.arange(len(code))
    row_start = np.maximum.accumulate(np.where(is_wide, -1, places)) + 1
    before = np.concatenate([[False], is_wide[:-1]])
    second = before & ((places - 1 - np.concatenate([[0], row_start[:-1]])) % 2 == 0)
    starts = np.flatnonzero(~second)
    wide = is_wide[starts]
    if len(starts) and wide[-1] and starts[-1] + 1 >= len(code):
        raise fields.bad(what, "ends inside a run")
    low = (code[starts] & 15).astype(np.int64)
    after = np.append(code, 0)[starts + 1].astype(np.int64)
    return (grey[starts] * 17).astype(np.uint8), np.where(wide, low << 8 | after, low)


def _bit_runs(
    fields: Fields, code: NDArray[np.uint8], screen: tuple[int, int], what: str
) -> NDArray[np.uint8]:
    """One bit of light and seven of count a byte; level sets of antialiasing follow each other,
    and the last is their union."""
    count = (code & 0x7F).astype(np.int64)
    pixels = screen[0] * screen[1]
    ends = np.cumsum(count)
    if not len(ends) or ends[-1] % pixels or not 1 <= ends[-1] // pixels <= 16:
        raise fields.bad(what, f"holds {ends[-1] if len(ends) else 0} pixels of {pixels}")
    first = int(np.searchsorted(ends, ends[-1] - pixels, side="right"))
    lit = np.where(code & 0x80, 255, 0).astype(np.uint8)
    return spread(fields, lit[first:], count[first:], screen, what)
