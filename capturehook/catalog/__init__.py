"""The register of all that differs between printers: the one place to add a line.

The order of DIALECTS is the order of preference where a file carries several kinds of mark.
"""

from __future__ import annotations

from capturehook.catalog.dialects import records
from capturehook.catalog.firmware import FIRMWARES
from capturehook.catalog.register import Register
from capturehook.catalog.triggers.button_press import ButtonPress
from capturehook.catalog.triggers.camera_command import CameraCommand
from capturehook.catalog.triggers.dwell_only import DwellOnly
from capturehook.catalog.triggers.host_message import HostMessage
from capturehook.catalog.triggers.own_lines import OwnLines
from capturehook.catalog.triggers.pin_pulse import PinPulse
from capturehook.model.contracts import Dialect, Trigger

DIALECTS: Register[Dialect] = Register(
    "dialect",
    [Dialect],
    records.LAYER_CHANGE_Z,
    records.LAYER_NUMBER,
    records.LAYER_SENTENCE,
    records.CHANGE_LAYER_TOTAL,
    records.LAYER_OBJECT_BLOCK,
    records.PAREN_LAYER,
    records.PROGRESS_COMMAND,
)
TRIGGERS: Register[Trigger] = Register(
    "trigger",
    [Trigger],
    DwellOnly(),
    ButtonPress(),
    PinPulse(),
    CameraCommand(),
    HostMessage(),
    OwnLines(),
)

__all__ = ["DIALECTS", "FIRMWARES", "TRIGGERS"]
