"""A drawn shoot fed into a folder in time lapse: a clock that is turned by hand, no waiting."""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from capturehook.attend.events import Event
from capturehook.attend.watch import Attendant, Wishes
from capturehook.model.plan import PlanRecord, load_plan
from tests.bench.bench_judging import plan_record
from tests.film.scene import Scene, Shot, save_jpeg

LARGE = (440, 330)
WAY_S = 3.0
"""From the exposure to the file in the folder."""


class Blind:
    """Finds nothing wrong with any picture."""

    def add(self, frame: object, height: float) -> list[object]:
        return []


@dataclass
class Lapse:
    """A scene, its plan and the computer's clock, which is ``ahead_s`` of the camera's."""

    folder: Path
    frames: int = 24
    photo: str = "garden"
    size_px: tuple[int, int] | None = None
    """None: the pictures are blank, and nobody looks at them; only that they come counts."""
    high: int = 120
    ahead_s: float = 7200.0
    seed: int = 4
    wishes: Wishes = field(default_factory=Wishes)
    now_s: float = 50_000.0
    number: int = 1
    told: list[tuple[int, Event]] = field(default_factory=list)
    free: int = 10**12

    def __post_init__(self) -> None:
        rng = np.random.default_rng(self.seed)
        self.rng = rng
        self.scene = Scene(
            size_px=self.size_px, frames=self.frames, photo=self.photo, seed=self.seed
        )
        self.scene.shake(0.15, 0.003, knocks=0).light("lamp", ev=0.05, colour_ev=0.01)
        self.due_s = np.cumsum(rng.uniform(40, 80, self.frames))
        self.card = self.folder / "card"
        self.card.mkdir(parents=True, exist_ok=True)
        self.plan_path = self.folder / "plan.json"
        self.plan_path.write_text(json.dumps(plan_record(self.due_s)))
        self.plan: PlanRecord = load_plan(self.plan_path)
        self.begin_s = self.now_s + 900  # heating up, and a person who takes his time
        for k, (shot, due) in enumerate(zip(self.scene.shots, self.due_s, strict=True)):
            shot.t_s = float(due + rng.normal(0, 0.2))
            shot.grown = 0.2 + k / self.high  # the first hundred layers are down already
        self.begin()

    def begin(self) -> Attendant:
        self.attendant = Attendant(
            self.card,
            self.plan,
            self.folder / "plan.attend.json",
            self.wishes,
            now=lambda: self.now_s,
            wall=lambda: self.now_s + 1.7e9,
            free_bytes=lambda path: self.free,
        )
        if self.size_px is None:
            self.attendant.looks = Blind()
        return self.attendant

    def look(self, pose: int) -> list[Event]:
        events = self.attendant.step()
        self.told += [(pose, event) for event in events]
        return events

    def wait_until(self, at_s: float, pose: int, every_s: float = 10.0) -> None:
        while self.now_s < at_s:
            self.now_s = min(at_s, self.now_s + every_s)
            self.look(pose)

    def path(self) -> Path:
        path = self.card / f"DSC_{self.number:04d}.JPG"
        self.number = self.number % 9999 + 1
        return path

    def take(self, shot: Shot) -> Path:
        """Write a picture as the camera does, its clock behind the computer's."""
        path = self.path()
        stamped = replace(shot, t_s=shot.t_s + self.begin_s - self.ahead_s)
        blank = np.full((12, 16, 3), 90, np.uint8)
        picture = blank if self.size_px is None else self.scene.render(shot)
        save_jpeg(path, picture, stamped, quality=90)
        return path

    def run(self, first: int = 0, last: int | None = None, *, skip: tuple[int, ...] = ()) -> None:
        """The poses from ``first`` on, each frame taken at its time."""
        for index in range(first, self.frames if last is None else last):
            shot = self.scene.shots[index]
            self.wait_until(self.begin_s + shot.t_s + WAY_S, index)
            if index not in skip:
                self.take(shot)
            for _ in range(3):
                self.now_s += 2.0
                self.look(index)

    def pause(self, index: int, by_s: float) -> None:
        """Everything from this pose on happens so much later."""
        for shot in self.scene.shots[index:]:
            shot.t_s += by_s

    def finish(self) -> None:
        self.wait_until(self.now_s + 30, self.frames, 2.0)

    def rung(self) -> list[tuple[str, int]]:
        """(code, index of the pose at which it was told) of all that rang."""
        return [(event.code, pose) for pose, event in self.told if event.rings]

    def codes(self) -> list[str]:
        return [event.code for _, event in self.told]
