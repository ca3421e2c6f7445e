"""The watching itself: one step looks at the folder, pairs and judges what has come, and tells.

In: a folder, a plan, a clock. Out: events, and at the end an audit. Nothing in the folder is
written; what is remembered lies beside the plan.
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING

from capturehook.attend.events import Calls, Event
from capturehook.attend.folder import Arrival, Folder
from capturehook.attend.looks import Looks, Seen
from capturehook.attend.pairing import Placed, pairing_of
from capturehook.attend.state import Taken, as_body, load_state, resume, save_state
from capturehook.audit.verdicts import MOVED
from capturehook.errors import FileError, FrameError, counted
from capturehook.frames.listing import Frame, load_frames, read_frame
from capturehook.frames.reference import Rectangle
from capturehook.model.plan import PlanRecord

if TYPE_CHECKING:
    from capturehook.audit.judge import Audit

SPARE = 1.1
"""Files grow with what they show."""
LEAST_FILES = 3
MANY_AT_ONCE = 5
OLD_AT_ONCE = 3
TOO_MANY, SPARE_SHOTS = 2, 20
ADVICE = {
    "dark": "check lamp and exposure",
    "overexposed": "check lamp, daylight and exposure",
    "blurred": "check focus, tripod and settle time",
    "not-parked": "something is where it was in no frame around: head, bed, hand or a cable",
    "moved": "the camera moved for this frame",
}
WARNED = frozenset({"missing", "double", "unreadable", "dark", "overexposed", "blurred"}) | {
    "not-parked",
    "knocked",
    "written-over",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Wishes:
    """What a person knows: GB free on the camera's own card and frames its battery lasts, both at
    the start; whether pictures that are there already count; a still part of the picture."""

    card_gb: float | None = None
    shots_left: float | None = None
    earlier: bool = False
    static_px: Rectangle | None = None


@dataclass
class Attendant:
    """A shoot being watched; call `step` every other second.

    Raises
    ------
    FileError
        The state is damaged or another plan's, or the folder cannot be read.
    FrameError
        The plan has no poses.
    """

    root: Path
    plan: PlanRecord
    state: Path
    wishes: Wishes = field(default_factory=Wishes)
    now: Callable[[], float] = time.monotonic
    wall: Callable[[], float] = time.time
    free_bytes: Callable[[Path], int] = lambda path: shutil.disk_usage(path).free

    def __post_init__(self) -> None:
        if not self.plan.poses:
            raise FrameError(self.plan.job, "the plan has no poses", "Make the plan anew")
        if not self.root.is_dir():
            raise FileError(str(self.root), "is no folder", "Make it, or name another")
        self.folder = Folder(self.root)
        self.pairing, self.calls = pairing_of(self.plan), Calls()
        timer = self.plan.interval_s is not None
        frames = len(self.plan.poses) if not timer else int(self.plan.total_s)
        self.looks = Looks(self.wishes.static_px, parked=not timer, planned=frames)
        self.taken: list[Taken] = []
        self.done = False
        self.began_s = self.now()
        self.told: set[str] = set()
        self.spoilt_since = 0
        self.notes: list[Event] = []
        saved = load_state(self.state, self.plan)
        if saved is not None:
            resume(self, saved)
        elif not self.wishes.earlier:
            self._pass_over()

    def _pass_over(self) -> None:
        try:
            count = self.folder.pass_over_all()
        except OSError as fault:
            raise FileError(
                str(self.root), f"cannot be read ({fault.strerror})", "Check the path"
            ) from fault
        if count:
            there = f"{counted(count, 'picture')} there already"
            text = f"{there}, left out of account (--earlier counts what is there)"
            self.notes.append(Event(code="old-files", text=text))

    # --- one look

    def step(self) -> list[Event]:
        """Look once at the folder; what there is to tell since."""
        now_s = self.now()
        events, self.notes = self.notes, []
        arrivals = self.folder.poll(now_s)
        events += self._folder_events()
        for arrival, frame in self._new_ones(arrivals, events):
            events += self._take(arrival, frame)
        if arrivals:
            events += self._supply_events()
        events += self._late_events(now_s)
        if self.pairing.is_over(now_s) and not self.folder.coming:
            self.done = True
        if arrivals or events or self.done:
            save_state(self.state, self.plan, as_body(self, now_s))
        return events

    def _say(
        self, code: str, text: str, *, pose: int | None = None, file: str | None = None
    ) -> Event:
        number = None if pose is None else self.plan.poses[pose].pose
        return self.calls.event(len(self.taken), code, text, pose=number, file=file)

    def _once(self, key: str, code: str, text: str, holds: bool) -> list[Event]:
        """Tell of what holds when it begins to, and not again before it has ended."""
        if not holds:
            self.told.discard(key)
            return []
        if key in self.told:
            return []
        self.told.add(key)
        return [self._say(code, text)]

    def _folder_events(self) -> list[Event]:
        gone = self.folder.gone
        was = "folder" in self.told
        text = f"the folder cannot be used ({gone}): is the card out, or the cable loose?"
        events = self._once("folder", "folder-gone", text, gone is not None)
        if was and gone is None:
            events.append(self._say("folder-back", "the folder is there again"))
        text = "the folder holds too many pictures to watch: give the camera a folder of its own"
        return [*events, *self._once("crowded", "late", text, self.folder.crowded)]

    def _new_ones(
        self, arrivals: list[Arrival], events: list[Event]
    ) -> list[tuple[Arrival, Frame]]:
        """The pictures that are of this shoot, in the order in which they were taken."""
        found: list[tuple[Arrival, Frame]] = []
        for arrival in arrivals:
            try:
                found.append((arrival, read_frame(arrival.path)))
            except OSError:  # gone meanwhile
                self.folder.taken.pop(arrival.name, None)
        if all(frame.taken is not None for _, frame in found):
            found.sort(key=lambda one: (_taken_s(one[1]) or 0.0, one[0].name))
        if not self.pairing.t_s and len(found) > MANY_AT_ONCE and not self.wishes.earlier:
            old = found
        else:
            old = [one for one in found if self._is_old(one[1])]
            old = old if len(old) >= OLD_AT_ONCE else []
        if old:
            text = f"{counted(len(old), 'picture')} at once, older than this shoot; left out"
            events.append(self._say("old-files", text))
        return [one for one in found if one not in old]

    def _is_old(self, frame: Frame) -> bool:
        taken_s = _taken_s(frame)
        if taken_s is None or not self.pairing.t_s:
            return False
        return taken_s + self.pairing.clock_s < self.pairing.t_s[-1] - self.pairing.near_s

    # --- one picture

    def _take(self, arrival: Arrival, frame: Frame) -> list[Event]:
        if arrival.was is not None:
            again = self._rewritten(arrival, frame)
            if again is not None:
                return again
        events = []
        if arrival.was is not None:
            text = "was written over by another frame: the one before it is lost"
            events.append(self._say("written-over", text, file=arrival.name))
        if frame.fault is not None:
            return [*events, *self._unreadable(arrival, frame, frame.fault)]
        taken_s = _taken_s(frame)
        placed = self.pairing.add(taken_s, arrival.first_s)
        pose = -1 if placed.pose is None else placed.pose
        self.taken.append(Taken(arrival.name, taken_s, pose, placed.kind, arrival.look[0]))
        return [*events, *self._placed_events(placed, arrival.name), *self._judge(frame, placed)]

    def _rewritten(self, arrival: Arrival, frame: Frame) -> list[Event] | None:
        """The same frame once more; None where it is another one under the same name."""
        before = next((one for one in reversed(self.taken) if one.name == arrival.name), None)
        if frame.fault is not None:
            return [
                self._say("unreadable", f"was written again and {frame.fault}", file=arrival.name)
            ]
        if before is None or before.taken_s in (None, _taken_s(frame)):
            return [self._say("rewritten", "was written again", file=arrival.name)]
        return None

    def _unreadable(self, arrival: Arrival, frame: Frame, reason: str) -> list[Event]:
        self.spoilt_since += 1
        self.taken.append(Taken(arrival.name, None, -1, "unreadable", arrival.look[0]))
        return [self._say("unreadable", reason, file=frame.name)]

    def _placed_events(self, placed: Placed, name: str) -> list[Event]:
        events = []
        if placed.jump_s:
            text = (
                f"the camera's clock was set by {placed.jump_s / 60:+.1f} min; taken into account"
            )
            events.append(self._say("clock-jump", text, file=name))
        if placed.kind == "double":
            text = "another frame of this pose: does the contact bounce, or is it held too long?"
            events.append(self._say("double", text, pose=placed.pose, file=name))
        if placed.kind == "between" and self.plan.kind != "resin":
            events.append(self._say("test-shot", "belongs to no pose", file=name))
            events += self._plan_events()
        if placed.kind != "pose":
            return events
        missing = list(placed.missing)[self.spoilt_since :]
        if missing:
            numbers = [self.plan.poses[pose].pose for pose in missing]
            run = (
                f"pose {numbers[0]}"
                if len(numbers) == 1
                else f"poses {numbers[0]} to {numbers[-1]}"
            )
            have = "has" if len(numbers) == 1 else "have"
            text = f"{run} {have} no frame: check contact, battery, card and hold time"
            events.append(self._say("missing", text, pose=missing[0]))
        elif placed.pause_s:
            text = f"the print stood still for {placed.pause_s:.0f} s more than planned"
            events.append(self._say("pause", text, pose=placed.pose))
        self.spoilt_since = 0
        if "late" in self.told:
            self.told.discard("late")
            events.append(self._say("back", "frames come again", pose=placed.pose, file=name))
        return [*events, *self._plan_events()]

    def _plan_events(self) -> list[Event]:
        many = len(self._whole) > TOO_MANY * self.pairing.planned + SPARE_SHOTS
        text = "the frames do not come as this plan says: is it the plan of the job that prints?"
        return self._once("plan", "other-plan", text, self.pairing.strange or many)

    @property
    def _whole(self) -> list[Taken]:
        return [one for one in self.taken if one.pose >= 0 or one.verdict != "unreadable"]

    def _judge(self, frame: Frame, placed: Placed) -> list[Event]:
        if placed.kind != "pose":
            return []
        height = self.plan.poses[placed.pose].z_mm if placed.pose is not None else 0.0
        try:
            seen = self.looks.add(frame, height)
        except FrameError as fault:
            self.taken[-1].verdict = "unreadable"
            return [self._say("unreadable", fault.found, pose=placed.pose, file=frame.name)]
        except OSError:
            return []
        return [event for one in seen for event in self._seen_events(one)]

    def _seen_events(self, seen: Seen) -> list[Event]:
        one = next(one for one in reversed(self.taken) if one.name.endswith(seen.frame.name))
        pose = one.pose if one.pose >= 0 else None
        events = []
        if seen.knocked_px is not None:
            far = "out of sight of all that is still"
            if seen.knocked_px != float("inf"):
                far = f"{seen.knocked_px:.1f} px away"
            text = f"the camera was knocked and stays {far}: set it right, or leave it so"
            events.append(self._say("knocked", text, pose=pose, file=one.name))
        elif seen.verdict is not None:
            code = seen.verdict.name.replace(" ", "-")
            one.verdict = code
            text = f"{seen.verdict.name} ({seen.verdict.meaning}); {ADVICE[code]}"
            if seen.verdict is MOVED:
                text = ADVICE[code]
            events.append(self._say(code, text, pose=pose, file=one.name))
        return events

    # --- what is to come

    @property
    def left(self) -> int:
        """Frames that are still to come."""
        return self.pairing.left(len(self.taken))

    def _supply_events(self) -> list[Event]:
        sizes = [one.file_bytes for one in self._whole]
        return [*self._battery_events(len(sizes)), *self._card_events(sizes)]

    def _battery_events(self, taken: int) -> list[Event]:
        shots = self.wishes.shots_left or self.plan.battery_frames
        if shots is None or not taken:
            return []
        charge = max(0, int(shots) - taken)
        text = (
            f"the battery lasts for {counted(charge, 'more frame')} of {self.left} to come: "
            "change it between two frames, or feed the camera from the mains"
        )
        return self._once("battery", "battery", text, charge < self.left)

    def _card_events(self, sizes: list[int]) -> list[Event]:
        if len(sizes) < LEAST_FILES:
            return []
        free: list[float] = []
        with suppress(OSError):
            free.append(self.free_bytes(self.root))
        card_gb = self.wishes.card_gb or self.plan.card_gb
        if card_gb is not None:
            free.append(card_gb * 1e9 - sum(sizes))
        room = int(max(0.0, min(free)) / (SPARE * median(sizes[-21:]))) if free else self.left
        text = f"there is room for {counted(room, 'more frame')} of {self.left} to come: make room"
        return self._once("card", "card", text, room < self.left)

    def _late_events(self, now_s: float) -> list[Event]:
        if "late" in self.told or self.folder.coming:
            return []
        if not self.pairing.t_s:
            wait_s = now_s - self.began_s
            late = wait_s > self.pairing.first_wait_s()
            text = f"no frame in {wait_s / 60:.0f} min: does the camera write into this folder?"
        else:
            wait_s = self.pairing.overdue_s(now_s)
            late = wait_s > 0
            text = (
                f"no frame for {wait_s / 60:.0f} min: has the print paused, or the camera stopped "
                "(battery, card, cable)?"
            )
        return self._once("late", "late", text, late)

    # --- for people, and at the end

    def status(self) -> str:
        """One short line."""
        last = self.pairing.last_pose
        warnings = sum(count for code, count in self.calls.counts.items() if code in WARNED)
        shown = 0 if last is None else last + 1
        told = counted(warnings, "warning")
        text = f"{shown} of {counted(len(self.plan.poses), 'pose')}, {told}"
        if self.plan.interval_s is not None:
            return f"{counted(len(self.taken), 'frame')}, {told}"
        if last is None:
            return f"{text}, waiting for the first frame"
        if last + 1 < len(self.plan.poses):
            due_s = self.pairing.due_s(last + 1)
            assert due_s is not None
            ahead_s = round(due_s - self.now())
            return f"{text}, next " + (f"in {ahead_s} s" if ahead_s >= 0 else f"late {-ahead_s} s")
        return text

    def audit(self) -> Audit | None:
        """The frames that came, against the plan as far as it went; None where none came.

        Raises
        ------
        FrameError
            The pictures are no longer there.
        """
        from capturehook.audit.judge import audit_frames

        names = dict.fromkeys(one.name for one in self.taken)
        paths = [path for path in (self.root / name for name in names) if path.is_file()]
        if not paths:
            return None
        plan, last = self.plan, self.pairing.last_pose
        if not self.done and plan.interval_s is None:
            plan = replace(plan, poses=plan.poses[: 1 if last is None else last + 1])
        return audit_frames(load_frames(paths), plan, static_px=self.wishes.static_px)


def _taken_s(frame: Frame) -> float | None:
    if frame.taken is None:
        return None
    return frame.taken.local_s - (frame.taken.offset_s or 0.0)
