"""Card and battery: what a shoot uses up, and whether it lasts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from capturehook.errors import Finding
from capturehook.model.profile import Camera
from capturehook.physics.interval import card_frames


@dataclass(frozen=True, slots=True, kw_only=True)
class Supply:
    """What is used up, and whether it lasts: ``need`` of ``have`` (None: not stated)."""

    name: str
    need: float
    have: float | None
    unit: str

    @property
    def lasts(self) -> bool:
        return self.have is None or self.need <= self.have


def camera_supplies(camera: Camera, frames: int, total_s: float) -> tuple[Supply, ...]:
    """What so many frames in a print of so many seconds use up: card, battery, battery hours."""
    room = None if camera.card_gb is None else float(card_frames(camera.card_gb, camera.frame_mb))
    hours = round(total_s / 3600, 3)
    return (
        Supply(name="card", need=frames, have=room, unit="frames"),
        Supply(name="battery", need=frames, have=camera.battery_frames, unit="frames"),
        Supply(name="battery hours", need=hours, have=camera.battery_h, unit="h"),
    )


def supply_findings(supplies: Sequence[Supply]) -> Iterator[Finding]:
    """A warning for each supply that does not last."""
    mains = "use mains power for the camera, or change the battery during the print"

    for one in supplies:
        if one.lasts:
            continue
        is_card = one.name == "card"
        text = (
            f"the {one.name.split()[0]} lasts for {one.have:g} {one.unit}, {one.need:.4g} are "
            f"needed; {'take a larger card or smaller frames' if is_card else mains}"
        )
        yield Finding("card-full" if is_card else "battery-short", "[camera]", text)
