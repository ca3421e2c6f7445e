"""Entries by name: our own, and those that other packages offer as entry points.

A package is looked for only when a name is not ours or when all are listed, and imported only
when its entry is used: a broken one never stops a job without it. Our names are never replaced.
Source: packaging.python.org, "Entry points specification".
"""

from __future__ import annotations

import inspect
import re
import sys
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Generic, cast

from capturehook.errors import CaptureHookError
from capturehook.model.contracts import Entry
from capturehook.steps import step

if TYPE_CHECKING:
    from importlib.metadata import EntryPoint

NAME = re.compile(r"[a-z0-9_]+")


class PluginError(CaptureHookError):
    """An entry of another package cannot be used."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """One entry point of another package."""

    group: str
    name: str
    value: str
    """`module:object`, as the package states it."""
    package: str
    """The package and its version."""

    def __str__(self) -> str:
        return f"{self.name} ({self.group}) of {self.package}"

    def as_json(self) -> dict[str, str]:
        return asdict(self)

    def fault(self, found: str) -> PluginError:
        advice = f"Repair or uninstall {self.package.rpartition(' ')[0] or self.package}"
        where = f"plug-in {self.name} = {self.value} ({self.group}) of {self.package}"
        return PluginError(where, found, advice)


def offers(group: str) -> dict[str, list[Offer]]:
    """What packages offer in a group, by name."""
    return _offers(group, tuple(sys.path))


@lru_cache(maxsize=16)
def _offers(group: str, _path: tuple[str, ...]) -> dict[str, list[Offer]]:
    from importlib.metadata import entry_points

    found: dict[str, list[Offer]] = {}
    for point in sorted(entry_points(group=group), key=_package):
        offer = Offer(group=group, name=point.name, value=point.value, package=_package(point))
        if offer not in (same := found.setdefault(point.name, [])):  # on the path twice
            same.append(offer)
    return found


def _package(point: EntryPoint) -> str:
    dist = point.dist
    return f"{dist.metadata['Name']} {dist.version}" if dist is not None else "an unnamed package"


def lacks(contract: type, entry: object) -> list[str]:
    """What an entry does not answer of what its contract asks, in words."""
    facts = [name for name, asked in vars(contract).items() if isinstance(asked, property)]
    faults = [
        name for name in (*contract.__annotations__, *facts, "name") if not hasattr(entry, name)
    ]
    for name, wanted in vars(contract).items():
        if not inspect.isfunction(wanted) or name.startswith("_"):
            continue
        given = getattr(type(entry), name, None)
        asked = list(inspect.signature(wanted).parameters)
        if given is None:
            faults.append(f"{name}()")
        elif list(inspect.signature(given).parameters) != asked:
            faults.append(f"{name}({', '.join(asked[1:])}) with these parameters")
    return list(dict.fromkeys(faults))


def load_offer(offer: Offer, contracts: Sequence[type]) -> Any:
    """Import an entry; it must answer one of the contracts.

    Raises
    ------
    PluginError
        It cannot be imported, or is not what its group asks for.
    """
    from importlib.metadata import EntryPoint

    if not NAME.fullmatch(offer.name):
        raise offer.fault("its name is not of small letters, digits and _")
    try:
        found = EntryPoint(offer.name, offer.value, offer.group).load()
        entry = found() if isinstance(found, type) else found
        missing = min((lacks(contract, entry) for contract in contracts), key=len)
        name = getattr(entry, "name", None)
    except (Exception, SystemExit) as fault:  # whatever its code does
        what = " ".join(f"{type(fault).__name__}: {fault}".split())
        raise offer.fault(f"cannot be loaded ({what})") from fault
    if missing:
        raise offer.fault(f"it lacks {', '.join(missing)}")
    if name != offer.name:
        raise offer.fault(f"it calls itself {name!r}; both names must be equal")
    return entry


IN_USE: list[Offer] = []
"""Entries of other packages that this run has loaded."""


class Register(dict[str, Entry], Generic[Entry]):
    """Our entries of one kind, in order, and those of packages as soon as they are used.

    Iterating gives what is in use; ``in`` and :attr:`choices` know what packages offer too.
    """

    def __init__(self, kind: str, contracts: Sequence[type], *entries: Entry) -> None:
        super().__init__()
        self.group, self.contracts = f"capturehook.{kind}", contracts
        for entry in entries:
            if entry.name in self.keys():
                raise ValueError(f"two entries of the register are called {entry.name}")
            self[entry.name] = entry
        self.own = tuple(self)
        self.broken: list[PluginError] = []
        """What the last :meth:`load_all` met, and what its caller met in them."""

    def __contains__(self, name: object) -> bool:
        return name in self.keys() or name in offers(self.group)

    def __missing__(self, name: str) -> Entry:
        candidates = offers(self.group).get(name, [])
        if not candidates:
            raise KeyError(name)
        first, *others = candidates
        if others:
            also = " and ".join(f"{one.value} of {one.package}" for one in others)
            raise first.fault(f"the same name is offered by {also}")
        self[name] = entry = cast("Entry", load_offer(first, self.contracts))
        IN_USE.append(first)
        step(f"plug-in: {first}")
        return entry

    @property
    def choices(self) -> list[str]:
        """Every name there is, ours first; nothing is imported."""
        return [*self, *(name for name in sorted(offers(self.group)) if name not in self.keys())]

    def load_all(self) -> Iterator[Entry]:
        """The entries of packages; what cannot be loaded goes into :attr:`broken`."""
        self.broken.clear()
        for name in self.choices[len(self.own) :]:
            try:
                yield self[name]
            except PluginError as fault:
                self.broken.append(fault)

    def fails(self, name: str, fault: Exception) -> None:
        """Note that an entry of a package was loaded and then failed."""
        what = " ".join(f"{type(fault).__name__}: {fault}".split())
        self.broken.append(offers(self.group)[name][0].fault(f"fails ({what})"))
