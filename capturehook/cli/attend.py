"""`capturehook attend`: watch a shoot while it runs, and call when a frame is spoilt."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from capturehook.cli.film_options import FRAMES
from capturehook.cli.options import FILE, bundle, option, takes

if TYPE_CHECKING:
    from capturehook.attend.alarm import Alarm
    from capturehook.attend.events import Event
    from capturehook.attend.watch import Attendant, Wishes

ALARM = "--alarm"
BETWEEN = "\0"
"""No argument can hold it."""
POLL_S = 2.0
MILDER = 5


class AlarmCommand(click.Command):
    """A command whose last option takes all that follows it, as it stands."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        if ALARM in args:
            at = args.index(ALARM)
            command = args[at + 1 :]
            if not command:
                raise click.UsageError("--alarm needs a program and its arguments after it.", ctx)
            args = [*args[:at], ALARM, BETWEEN.join(command)]
        return super().parse_args(ctx, args)


@dataclass(frozen=True, slots=True)
class PlanOf:
    """Where the plan is."""

    plan_path: Path | None
    job: Path | None


def _wishes(**given: Any) -> Wishes:
    from capturehook.attend.watch import Wishes

    return Wishes(**given)


@click.command("attend", cls=AlarmCommand, short_help="Watch a shoot while the print runs.")
@click.argument("folder", type=FILE)
@bundle("plan_of", PlanOf, *FRAMES[:2])
@bundle(
    "wishes",
    _wishes,
    option("--card-gb", "GB free on the camera's own card now.", click.FloatRange(0.001, 100_000)),
    option("--shots-left", "Frames the battery lasts from now on.", click.IntRange(1)),
    option("--earlier", "Count the pictures that are there already, too.", bool),
    FRAMES[2],
)
@takes(
    option("--state", "Where to remember what was seen (beside the plan).", FILE),
    option("--json as_json", "One JSON object a line, for machines.", bool),
    option(
        f"{ALARM} alarm_text",
        "Last option: a program and its arguments, run at each alarm.",
        metavar="CMD ...",
    ),
)
def attend_command(
    folder: Path,
    plan_of: PlanOf,
    wishes: Wishes,
    state: Path | None,
    as_json: bool,
    alarm_text: str | None,
) -> int:
    """Watch FOLDER, which the camera or its tether writes to, until the last pose has come.

    Tells within a layer what is missing, spoilt or knocked, or will not last. Ctrl-C ends it;
    run it again to go on. It is no watch over the printer: stay near.

    \b
    Example:
      capturehook attend tether/ --plan plan.json --alarm notify-me --loud
    """
    from capturehook.attend.alarm import Alarm
    from capturehook.attend.state import digest_of, state_path
    from capturehook.attend.watch import Attendant
    from capturehook.cli import show
    from capturehook.errors import PlanError
    from capturehook.hosts.plans import chosen_plan

    plan = chosen_plan(plan_of.plan_path, plan_of.job)
    if plan is None:
        raise PlanError("--plan", "is missing", "Name the plan.json of this job, or its --job")
    if state is None:
        beside = plan_of.plan_path or plan_of.job
        assert beside is not None
        state = state_path(beside)
    alarm = Alarm(alarm_text.split(BETWEEN) if alarm_text else [])
    attendant = Attendant(folder, plan, state, wishes)
    _be_mild()
    if not as_json:
        show.note(
            f"{len(plan.poses)} poses of {plan.job} (plan {digest_of(plan)[:12]}); Ctrl-C ends."
        )
    try:
        _watch(attendant, alarm, as_json=as_json)
    except KeyboardInterrupt:
        show.note("Stopped: this is what came.")
    finally:
        show.status("")
        alarm.leave()
    return _end(attendant, as_json=as_json)


def _watch(attendant: Attendant, alarm: Alarm, *, as_json: bool) -> None:
    from capturehook.cli import show

    while not attendant.done:
        for event in attendant.step():
            _tell(event, alarm, as_json=as_json)
        for fault in alarm.tend():
            show.note(fault)
        if not as_json:
            show.status(attendant.status())
        if not attendant.done:
            time.sleep(POLL_S)


def _tell(event: Event, alarm: Alarm, *, as_json: bool) -> None:
    from capturehook.cli import show

    if as_json:
        show.emit_line(event.as_json())
    else:
        show.status("")
        show.give(f"{time.strftime('%H:%M')} {event}", flush=True)
    if event.rings:
        show.ring()
        fault = alarm.call(event)
        if fault is not None:
            show.note(fault)


def _be_mild() -> None:
    """The printer's own host may run on this computer."""
    import os
    from contextlib import suppress

    if hasattr(os, "nice"):
        with suppress(OSError):
            os.nice(MILDER)


def _end(attendant: Attendant, *, as_json: bool) -> int:
    from capturehook.audit.report import audit_json, summary_lines
    from capturehook.cli import show

    audit = attendant.audit()
    if audit is None:
        show.note("No frame came.")
        return 1
    if as_json:
        data: dict[str, Any] = {"schema": 1, "event": "audit", "audit": audit_json(audit)}
        show.emit_line(data)
    else:
        for line in summary_lines(audit):
            show.say(line)
        show.show_findings(audit.findings)
    return show.exit_code(audit.findings)
