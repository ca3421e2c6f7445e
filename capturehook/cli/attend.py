"""`capturehook attend`: watch a shoot while it runs, and call when a frame is spoilt."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from capturehook.attend.alarm import Alarm
    from capturehook.attend.events import Event
    from capturehook.attend.watch import Attendant

FOLDERS = click.Path(path_type=Path)
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


@click.command("attend", cls=AlarmCommand, short_help="Watch a shoot while the print runs.")
@click.argument("folder", type=FOLDERS)
@click.option("--plan", "plan_path", type=FOLDERS, help="The plan.json the shoot was made by.")
@click.option("--job", type=FOLDERS, help="The posed job: its own plan is found and held to it.")
@click.option(
    "--card-gb", type=click.FloatRange(0.001, 100_000), help="GB free on the camera's own card now."
)
@click.option("--shots-left", type=click.IntRange(1), help="Frames the battery lasts from now on.")
@click.option("--earlier", is_flag=True, help="Count the pictures that are there already, too.")
@click.option(
    "--state", type=FOLDERS, help="Where to remember what was seen; beside the plan unless given."
)
@click.option(
    "--static",
    "static_px",
    nargs=4,
    type=float,
    metavar="X Y W H",
    help="Part of the picture that never changes, in pixels of the original.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line, for machines.")
@click.option(
    ALARM,
    "alarm_text",
    metavar="CMD ...",
    help="Last option: a program and its arguments, run at each alarm; code and text are added.",
)
def attend_command(
    folder: Path,
    plan_path: Path | None,
    job: Path | None,
    card_gb: float | None,
    shots_left: int | None,
    earlier: bool,
    state: Path | None,
    static_px: tuple[float, float, float, float] | None,
    as_json: bool,
    alarm_text: str | None,
) -> int:
    """Watch FOLDER, which the camera or its tether writes to, until the last pose has come.

    Says within a layer that a frame is missing, spoilt or knocked, or that card or battery will
    not last. The pictures are only read. Ctrl-C ends it; run it again to go on. It is no
    watch over the printer: stay near one that runs.

    \b
    Example:
      capturehook attend tether/ --plan plan.json --alarm notify-me --loud
    """
    from capturehook.attend.alarm import Alarm
    from capturehook.attend.state import digest_of, state_path
    from capturehook.attend.watch import Attendant, Wishes
    from capturehook.cli import show
    from capturehook.errors import PlanError
    from capturehook.hosts.plans import chosen_plan

    plan = chosen_plan(plan_path, job)
    if plan is None:
        raise PlanError("--plan", "is missing", "Name the plan.json of this job, or its --job")
    if state is None:
        beside = plan_path or job
        assert beside is not None
        state = state_path(beside)
    alarm = Alarm(alarm_text.split(BETWEEN) if alarm_text else [])
    wishes = Wishes(card_gb=card_gb, shots_left=shots_left, earlier=earlier, static_px=static_px)
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
