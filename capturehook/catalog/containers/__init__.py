"""Every kind of resin container that is read, one small module each, and their register.

Told by content, never by name. A new kind: a module with a class that has the members of one
of the two Protocols below, and a line in BINARY_KINDS or ZIP_KINDS.
"""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from capturehook.catalog.containers.ctb import Ctb
from capturehook.catalog.containers.fields import Fields
from capturehook.catalog.containers.goo import Goo
from capturehook.catalog.containers.json_zips import PlateZip, Uvj, Vdt
from capturehook.catalog.containers.settings_zip import SettingsZip
from capturehook.catalog.containers.tables import Tables
from capturehook.catalog.containers.zip_file import Container
from capturehook.model.resin_job import StoredJob


class BinaryKind(Protocol):
    """A kind of binary container."""

    name: str
    what: str
    """Its extensions, in words."""

    def claims(self, head: bytes) -> bool:
        """Whether a file that begins so is of this kind."""
        ...

    def read(self, fields: Fields) -> StoredJob:
        """All that the file states of its layers; FileError where it is damaged."""
        ...

    def pixels(self, fields: Fields, job: StoredJob, layer_index: int) -> NDArray[np.uint8]:
        """(H, W) grey of one layer; FileError where its image is damaged."""
        ...


class ZipKind(Protocol):
    """A kind of zip; its layer images are PNG members."""

    name: str
    what: str

    def claims(self, container: Container) -> bool:
        """Whether a zip with these members is of this kind."""
        ...

    def read(self, container: Container) -> StoredJob:
        """All that the zip states of its layers; FileError where it is damaged."""
        ...


BINARY_KINDS: tuple[BinaryKind, ...] = (Ctb(), Goo(), Tables())
ZIP_KINDS: tuple[ZipKind, ...] = (Uvj(), Vdt(), PlateZip(), SettingsZip())
HEAD_BYTES = 16


def binary_kind(head: bytes) -> BinaryKind | None:
    """The kind of a file that begins so."""
    return next((kind for kind in BINARY_KINDS if kind.claims(head)), None)


def zip_kind(container: Container) -> ZipKind | None:
    """The kind of a zip."""
    return next((kind for kind in ZIP_KINDS if kind.claims(container)), None)
