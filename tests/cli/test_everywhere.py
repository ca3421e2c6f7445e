"""What every command keeps to: JSON alone, quiet, verbose, completion, one-line usage errors.

Sources: json.org by way of Python's reader; no-color.org; terminfo's `dumb`; click's own classes
of shell completion; man(7).
"""

from __future__ import annotations

import json
import os
import pty
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import click
import pytest
from click.shell_completion import ShellComplete

from capturehook.cli import show
from capturehook.cli.main import main
from capturehook.cli.manual import manual_page
from capturehook.profile.load import BUILT_IN
from capturehook.testing import sample_job
from tests.cli.calling import call
from tests.docs.pages import DOCS, page_text
from tests.docs.test_docs_cli import LEAVES
from tests.resin import resin_jobs

Words = Callable[[Path], list[object]]


def film_of(folder: Path) -> list[object]:
    return ["rehearse", folder / "job.gcode", "-p", "heron", "--size", "96x64"]


def said(words: str) -> tuple[Words, ...]:
    return (lambda folder: list(words.split()),)


ASKED: dict[str, tuple[Words, ...]] = {
    "apply": (lambda f: ["apply", f / "job.gcode", "-p", "heron", "-o", f / "posed.gcode"],),
    "strip": (lambda f: ["strip", f / "job.gcode"],),
    "inspect": (lambda f: ["inspect", f / "job.gcode"],),
    "plan": (lambda f: ["plan", f / "job.gcode", "-p", "heron", "--save", f / "plan.json"],),
    "profile new": (lambda f: ["profile", "new", "mine", "-o", f / "mine.toml"],),
    "profile list": (lambda f: ["profile", "list"],),
    "profile show": (lambda f: ["profile", "show", "heron"],),
    "profile check": (lambda f: ["profile", "check", "heron"],),
    "profile schema": (lambda f: ["profile", "schema"],),
    "hook": (lambda f: ["hook", "-p", "heron"],),
    "snippet": (lambda f: ["snippet", "-p", "kestrel"],),
    "demo": (lambda f: ["demo", f / "demo"],),
    "optics": (lambda f: ["optics", "--subject-mm", 60, 60, 120],),
    "trigger phone-cable": said("trigger phone-cable --mic-ohm 5000 --by relay"),
    "trigger remote": said("trigger remote --by opto --key-v 2.9"),
    "trigger relay": said("trigger relay --supply-v 24 --coil-v 12 --coil-ohm 960"),
    "trigger solenoid": said(
        "trigger solenoid --supply-v 12 --coil-ohm 24 --cont-w 1.5 --pull-n 3"
    ),
    "trigger servo": said("trigger servo --press-deg 30 --horn-mm 15"),
    "trigger light-off": said(
        "trigger light-off --lit-ohm 900 --dark-ohm 50000 --rest-s 7 --next-on-s 14"
    ),
    "trigger plate": said(
        "trigger plate --contact-mm 120 --top-mm 121 --axis-mm 165 --speed-mm-min 180"
    ),
    "trigger contact": said("trigger contact --open-v 3.1 --hold-ms 200"),
    "trigger opto": said("trigger opto --supply-v 24"),
    "trigger light": said(
        "trigger light --covered-ohm 9000 --lit 30 100 --fires-ohm 1500 --quiet-ohm 4000"
    ),
    "bracket switch": (
        lambda f: ["bracket", "switch", "--switch", "19.8-lever", "-o", f / "switch.stl"],
    ),
    "bracket sensor": (lambda f: ["bracket", "sensor", "--frame-mm", 3, "-o", f / "s.stl"],),
    "bracket tapper": (lambda f: ["bracket", "tapper", "--phone-mm", 9, "-o", f / "t.stl"],),
    "trial air": (
        lambda f: ["trial", "air", f / "job.gcode", "-p", "heron", "-o", f / "air.gcode"],
    ),
    "trial press": (lambda f: ["trial", "press", "-p", f / "rig.toml", "-o", f / "press.gcode"],),
    "trial still": (lambda f: ["trial", "still", "-p", f / "rig.toml", "-o", f / "still.gcode"],),
    "trial resin": (lambda f: ["trial", "resin", f / "job.zip", "-p", "tern", "--layers", 2, 3],),
    "trial read": (lambda f: ["trial", "read", f / "frames", "--trial", f / "still.json"],),
    "resin": (lambda f: ["resin", f / "job.zip", "-p", "tern"],),
    "rehearse": (film_of, lambda f: [*film_of(f), "--frames", f / "frames"]),
    "audit": (lambda f: ["audit", f / "frames", "--plan", f / "plan.json"],),
    "assemble": (
        lambda f: ["assemble", f / "frames", "--plan", f / "plan.json", "-o", f / "film.mp4"],
    ),
}
"""Each command as a person may ask it, in an order in which each finds what it needs."""


def sole_object(text: str) -> dict[str, object]:
    found = json.loads(text)  # fails on anything beside one value
    assert isinstance(found, dict)
    return found


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("asked")
    (path / "job.gcode").write_bytes(sample_job())
    heron = (BUILT_IN / "heron.toml").read_text(encoding="utf-8")
    switch = '[trigger]\nby = "button"\nx_mm = 228\n'
    (path / "rig.toml").write_text(re.sub(r"(?ms)^\[trigger\]\n.*?^(?=\[)", switch, heron))
    resin_jobs.write_command_job(
        path / "job.zip", resin_jobs.command_text(4), [resin_jobs.bar(4)] * 4
    )
    return path


def test_every_command_with_json_is_asked() -> None:
    with_json = {
        name for name, one in LEAVES.items() if any("--json" in p.opts for p in one.params)
    }
    lines = {"attend"}  # one object a line, while it runs: tests/attend/test_attend_process.py
    assert with_json == set(LEAVES) == set(ASKED) | lines


def test_json_is_all_of_standard_output_and_names_its_form(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("capturehook.cli.demo.find_spec", lambda name: None)  # without its film
    codes = {}
    for name, asked in ASKED.items():
        for words in asked:
            code, out, err = call(capsys, *words(folder), "--json")
            assert code in (0, 1, 2), f"{name}: {err}"
            found = sole_object(out)
            assert found.get("schema") == 1 or "$schema" in found, name
            assert ("errors" in found and bool(found["errors"])) == (code == 2), (name, err)
            codes[name] = code
    refused = {name for name, code in codes.items() if code == 2}
    assert refused == {"trial read"}  # its frames are no trial's


@pytest.mark.parametrize("name", LEAVES)
def test_wrong_word_is_one_line_and_one_object(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = call(capsys, *name.split(), "--no-such-word")
    assert code == 2 and out == "" and err.count("\n") == 1
    assert err.startswith(f"capturehook {name}: no such option")
    assert err.endswith(f"See `capturehook {name} --help`.\n")
    code, out, _ = call(capsys, *name.split(), "--no-such-word", "--json")
    assert code == 2 and "errors" in sole_object(out)


def test_wrong_command_is_one_line_with_the_nearest(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = call(capsys, "aply")
    assert (code, out) == (2, "") and err.count("\n") == 1
    assert err.startswith("capturehook: no such command 'aply'; did you mean 'apply'.")
    for words in (["apply", "x", "-p"], ["plan", "x", "--fps"]):
        told = call(capsys, *words)[2]
        assert told.startswith(f"capturehook {words[0]}: option ") and told.count("\n") == 1


@pytest.mark.parametrize("name", LEAVES)
def test_quiet_and_verbose_are_taken_everywhere(name: str) -> None:
    names = {word for param in LEAVES[name].params for word in param.opts}
    assert {"-q", "--quiet", "-v", "--verbose"} <= names


def test_quiet_leaves_the_report_out_and_keeps_what_was_asked_for(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = folder / "job.gcode"
    for words in (
        ["plan", job, "-p", "heron"],
        ["inspect", job, "-p", "heron"],
        ["profile", "list"],
    ):
        _, loud, told = call(capsys, *words)
        _, out, err = call(capsys, *words, "-q")
        assert loud and out == "" and err == told
    for words in (["snippet", "-p", "kestrel"], ["profile", "show", "heron"]):
        assert call(capsys, *words, "-q") == call(capsys, *words)
    hook = call(capsys, "hook", "-p", "heron", "-q")[1]
    assert hook.count("capturehook.hosts.") == 3 == len(hook.splitlines())
    _, out, err = call(capsys, "inspect", folder / "none.gcode", "-q")
    assert out == "" and "none.gcode" in err


def test_verbose_tells_each_step_on_standard_error_and_changes_nothing_else(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["apply", folder / "job.gcode", "-p", "heron", "-o", folder / "out.gcode"]
    code, out, err = call(capsys, *words)
    more = call(capsys, *words, "--verbose")
    steps = [line for line in more[2].splitlines() if line.startswith("- ")]
    assert more[:2] == (code, out)
    assert [line for line in more[2].splitlines() if line not in steps] == err.splitlines()
    told = "\n".join(steps)
    for part in ("capturehook 0.", "heron.toml", "4 layers by layer_number", "wrote ", "done in "):
        assert part in told
    assert "- " not in call(capsys, *words)[2]  # it does not last


def on_a_terminal(words: list[str], **more: str) -> bytes:
    """What a command writes onto a terminal."""
    ours, theirs = pty.openpty()
    env = {key: value for key, value in os.environ.items() if key not in ("NO_COLOR", "TERM")}
    command = [sys.executable, "-m", "capturehook", *words]
    child = subprocess.Popen(
        command, stdin=theirs, stdout=theirs, stderr=theirs, env={**env, **more}
    )
    os.close(theirs)
    written = b""
    while True:
        try:
            piece = os.read(ours, 65536)
        except OSError:  # its end
            break
        if not piece:
            break
        written += piece
    os.close(ours)
    assert child.wait() in (0, 1)
    return written


def test_no_escape_sequence_where_colour_is_not_wanted(folder: Path) -> None:
    words = ["plan", str(folder / "job.gcode"), "-p", "heron"]
    assert b"\x1b" in on_a_terminal(words, TERM="xterm-256color")  # else the test shows nothing
    for env in ({"TERM": "xterm-256color", "NO_COLOR": "1"}, {"TERM": "dumb"}):
        written = on_a_terminal(words, **env)
        assert b"\x1b" not in written and b"Timetable" in written


# -- completion -------------------------------------------------------------------------------


def completions(*words: str) -> list[str]:
    *before, begun = words
    shell = ShellComplete(main, {}, "capturehook", "_CAPTUREHOOK_COMPLETE")
    found = shell.get_completions(list(before), begun)
    return [one.value if one.type == "plain" else f"<{one.type}>" for one in found]


def test_names_of_profiles_are_completed() -> None:
    assert completions("apply", "job.gcode", "-p", "he") == ["heron"]
    assert set(completions("plan", "job.gcode", "--profile", "")) >= {"heron", "kestrel", "<file>"}
    assert completions("profile", "new", "mine", "--from", "ke") == ["kestrel"]
    assert completions("hook", "-p", "./mine.t") == ["<file>"]


def test_commands_options_and_files_are_completed() -> None:
    assert completions("ap") == ["apply"]
    assert completions("trigger", "so") == ["solenoid"]
    assert "--skip-unsafe" in completions("apply", "--sk")
    for words in (["apply", "x"], ["apply", "a", "-o", "x"], ["audit", "x"], ["plan", "x"]):
        assert completions(*words) == ["<file>"]
    assert completions("plan", "a", "--limits", "j") == ["job"]


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_lines_of_the_docs_set_completion_up(shell: str) -> None:
    assert f"_CAPTUREHOOK_COMPLETE={shell}_source capturehook" in page_text("cli.md")
    env = {**os.environ, "_CAPTUREHOOK_COMPLETE": f"{shell}_source"}
    command = "from capturehook.cli.main import run; run()"
    done = subprocess.run([sys.executable, "-c", command], capture_output=True, text=True, env=env)
    assert done.returncode == 0, done.stderr
    assert f"_CAPTUREHOOK_COMPLETE={shell}_complete" in done.stdout


# -- the manual page ---------------------------------------------------------------------------


def test_manual_page_is_fresh_and_has_every_command() -> None:
    page = (DOCS / "capturehook.1").read_text(encoding="utf-8")
    assert page == manual_page(), "run: python -m capturehook.cli.manual > docs/capturehook.1"
    plain = page.replace("\\-", "-")
    told = ("quiet", "verbose", "as_json")  # under EVERY COMMAND
    for name, command in LEAVES.items():
        start = re.search(rf'^\.SS "capturehook {name}[ "]', plain, re.M)
        assert start is not None
        section = plain[start.end() :].partition("\n.SS ")[0]
        for option in command.params:
            if isinstance(option, click.Option) and option.name not in told:
                assert option.opts[-1] in section


@pytest.mark.skipif(shutil.which("groff") is None, reason="groff is not installed")
def test_manual_page_is_read_without_a_warning() -> None:
    words = ["groff", "-ww", "-man", "-Tutf8", "-z", str(DOCS / "capturehook.1")]
    done = subprocess.run(words, capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")


def test_manners_do_not_last() -> None:
    show.be_quiet()
    show.plainly()
    assert not show._QUIET
