"""Commands that send the head to a park place: of the firmware's settings, or of their words.

No motion line tells of it, so what is checked of a job's motion is checked of these apart.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from capturehook.catalog import FIRMWARES
from capturehook.read.effects import shown
from capturehook.read.job import Job
from capturehook.read.words import read_commands


@dataclass(frozen=True, slots=True)
class Parking:
    """One such line; a place is None where only the firmware's settings tell it.

    Attributes
    ----------
    command : as the job says it
    x_mm, y_mm : places of the machine, whatever G92 made of the job's own numbers
    """

    line_index: int
    code: str
    command: str
    x_mm: float | None
    y_mm: float | None


def parkings(job: Job) -> Iterator[Parking]:
    """Every line of a job that parks the head, in file order."""
    firmware, others = FIRMWARES[job.profile.machine.firmware], job.read.others
    if not firmware.parks.keys() & set(others.command):
        return
    for index, code in zip(others.command_line, others.command, strict=True):
        if code not in firmware.parks:
            continue
        commands = read_commands(job.source.line(index), several=firmware.several_commands)
        command = next(one for one in commands if one.code == code)
        unit_mm = others.modes[int(np.searchsorted(others.modes_line, index)) - 1].unit_mm
        x_mm, y_mm = (
            None if value is None else value * unit_mm
            for value in (
                command.get(letter) if letter in firmware.parks[code] else None for letter in "XY"
            )
        )
        yield Parking(index, code, shown(command), x_mm, y_mm)
