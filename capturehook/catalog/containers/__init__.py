"""Every kind of resin container that is read, one small module each, and their register.

Told by content, never by name. A new kind: a module with a class that has the members of one
of the two Protocols below, and a line in BINARY_KINDS or ZIP_KINDS; or another package's.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from capturehook.catalog import DIALECTS, FIRMWARES, TRIGGERS
from capturehook.catalog.containers.ctb import Ctb
from capturehook.catalog.containers.fields import Fields
from capturehook.catalog.containers.goo import Goo
from capturehook.catalog.containers.json_zips import PlateZip, Uvj, Vdt
from capturehook.catalog.containers.settings_zip import SettingsZip
from capturehook.catalog.containers.tables import Tables
from capturehook.catalog.containers.zip_file import Container
from capturehook.catalog.register import Register, offers
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
KINDS: Register[BinaryKind | ZipKind] = Register(
    "container", [BinaryKind, ZipKind], *BINARY_KINDS, *ZIP_KINDS
)
"""All of them by name; those of other packages are asked last."""
HEAD_BYTES = 16


def binary_kind(head: bytes) -> BinaryKind | None:
    """The kind of a file that begins so."""
    own = next((kind for kind in BINARY_KINDS if kind.claims(head)), None)
    return own if own or head.startswith(b"PK") else _of_a_package(head, is_zip=False)


def zip_kind(container: Container) -> ZipKind | None:
    """The kind of a zip."""
    own = next((kind for kind in ZIP_KINDS if kind.claims(container)), None)
    return own or _of_a_package(container, is_zip=True)


def _of_a_package(content: bytes | Container, *, is_zip: bool) -> Any:
    """The first kind of another package that claims a file."""
    for kind in KINDS.load_all():
        asks: Callable[[Any], bool] = kind.claims
        if hasattr(kind, "pixels") == is_zip:
            continue
        try:
            if asks(content):
                return kind
        except Exception as fault:  # whatever its code does
            KINDS.fails(kind.name, fault)
    return None


def broken_kinds() -> str:
    """What to say of packages whose kinds could not be asked, after a sentence."""
    return "".join(f"; {fault.where} {fault.found}" for fault in KINDS.broken)


def plugin_lines() -> Iterator[str]:
    """What other packages offer, a line each; nothing is imported."""
    registers: tuple[Register[Any], ...] = (FIRMWARES, TRIGGERS, DIALECTS, KINDS)
    for register in registers:
        for name, some in sorted(offers(register.group).items()):
            clash = "the name is one of ours" if name in register.own else ""
            clash = clash or ("the name is offered twice" if len(some) > 1 else "")
            for one in some:
                yield f"{one}; not used: {clash}" if clash else str(one)
