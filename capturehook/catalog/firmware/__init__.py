"""One file for each family of firmware, and the register of them."""

from __future__ import annotations

from capturehook.catalog.firmware.klipper import Klipper
from capturehook.catalog.firmware.marlin import Marlin
from capturehook.catalog.firmware.repetier import Repetier
from capturehook.catalog.firmware.reprapfirmware import RepRapFirmware
from capturehook.catalog.firmware.rs274 import Rs274
from capturehook.catalog.firmware.smoothie import Smoothie
from capturehook.catalog.register import Register
from capturehook.model.contracts import Firmware

FIRMWARES: Register[Firmware] = Register(
    "firmware",
    [Firmware],
    Marlin(),
    Klipper(),
    RepRapFirmware(),
    Smoothie(),
    Repetier(),
    Rs274(),
)
