"""The register of all that differs between printers: the one place to add a line.

The order of DIALECTS is the order of preference where a file carries several kinds of mark.
"""

from __future__ import annotations

from typing import TypeVar

from capturehook.catalog.dialects import records
from capturehook.catalog.firmware.klipper import Klipper
from capturehook.catalog.firmware.marlin import Marlin
from capturehook.catalog.firmware.repetier import Repetier
from capturehook.catalog.firmware.reprapfirmware import RepRapFirmware
from capturehook.catalog.firmware.rs274 import Rs274
from capturehook.catalog.firmware.smoothie import Smoothie
from capturehook.catalog.triggers.button_press import ButtonPress
from capturehook.catalog.triggers.camera_command import CameraCommand
from capturehook.catalog.triggers.dwell_only import DwellOnly
from capturehook.catalog.triggers.host_message import HostMessage
from capturehook.catalog.triggers.own_lines import OwnLines
from capturehook.catalog.triggers.pin_pulse import PinPulse
from capturehook.model.contracts import Dialect, Firmware, Named, Trigger

Entry = TypeVar("Entry", bound=Named)


def _register(*entries: Entry) -> dict[str, Entry]:
    """Entries by name; equal names are refused."""
    named: dict[str, Entry] = {}
    for entry in entries:
        if entry.name in named:
            raise ValueError(f"two entries of the register are called {entry.name}")
        named[entry.name] = entry
    return named


DIALECTS: dict[str, Dialect] = _register(
    records.LAYER_CHANGE_Z,
    records.LAYER_NUMBER,
    records.LAYER_SENTENCE,
    records.CHANGE_LAYER_TOTAL,
    records.LAYER_OBJECT_BLOCK,
    records.PAREN_LAYER,
    records.PROGRESS_COMMAND,
)
FIRMWARES: dict[str, Firmware] = _register(
    Marlin(), Klipper(), RepRapFirmware(), Smoothie(), Repetier(), Rs274()
)
TRIGGERS: dict[str, Trigger] = _register(
    DwellOnly(), ButtonPress(), PinPulse(), CameraCommand(), HostMessage(), OwnLines()
)
