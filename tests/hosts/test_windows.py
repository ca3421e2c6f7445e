"""What Windows does differently, simulated: none was at hand.

Rules of words: "Parsing C command-line arguments" (learn.microsoft.com, C runtime), and of the
shell: `cmd /?` and "Command shell overview" there. Names: "Naming Files, Paths, and Namespaces".
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capturehook import files
from capturehook.cli import main as cli
from capturehook.errors import FileError, Finding, Where
from capturehook.files import read_and_look, replacing, write_atomically
from capturehook.hosts import edit
from capturehook.hosts.lines import _quoted
from capturehook.hosts.summary import alike
from tests.adapters.host_calls import JOB


def split_as_the_c_runtime(line: str) -> list[str]:
    """Words of a command line by the rules of Microsoft's page, written from it alone."""
    words: list[str] = []
    at, word, quoted, open_word = 0, "", False, False
    while at < len(line):
        letter = line[at]
        if letter == "\\":
            count = len(line[at:]) - len(line[at:].lstrip("\\"))
            at += count
            open_word = True
            if line[at : at + 1] == '"':  # 2n: n and the quote acts; 2n + 1: n and a quote
                word += "\\" * (count // 2)
                if count % 2:
                    word, at = word + '"', at + 1
            else:
                word += "\\" * count
        elif letter == '"':
            open_word = True
            if quoted and line[at + 1 : at + 2] == '"':
                word, at = word + '"', at + 2
            else:
                quoted, at = not quoted, at + 1
        elif letter in " \t" and not quoted:
            if open_word:
                words.append(word)
            word, open_word, at = "", False, at + 1
        else:
            word, open_word, at = word + letter, True, at + 1
    return [*words, word] if open_word else words


def seen_by_the_shell(line: str) -> str:
    """What stands outside of double quotes, where cmd.exe acts on & | < > ( ) ^ and the like."""
    return "".join(part for number, part in enumerate(line.split('"')) if number % 2 == 0)


def test_the_parser_of_the_rules_gives_the_examples_of_their_page() -> None:
    for line, words in (
        (r'"a b c" d e', ["a b c", "d", "e"]),
        (r'"ab\"c" "\\" d', ['ab"c', "\\", "d"]),
        (r"a\\\b d\"e\"f\"g h".replace('\\"e\\"f\\"g', 'd"e f"g'), [r"a\\\b", "dde fg", "h"]),
        (r"a\\\"b c d", [r"a\"b", "c", "d"]),
        (r'a\\\\"b c" d e', [r"a\\b c", "d", "e"]),
        (r'a"b"" c d', ['ab" c d']),
    ):
        assert split_as_the_c_runtime(line) == words


WORDS = [
    r"C:\Python312\python.exe",
    r"C:\Program Files\Python 3\python.exe",
    r"C:\Users\Zoë & Co\venv\Scripts\python.exe",
    r"C:\lighthouse (1)\mine.toml",
    r"\\server\prints of mine" + "\\",
    "D:\\",
    "D:\\a b\\\\",
    r"C:\100% full\x.toml",
    r"C:\a^b!c;d,e=f\x.toml",
]


@pytest.mark.parametrize("word", WORDS)
def test_word_of_the_hook_line_is_one_word_and_the_shell_sees_nothing_to_act_upon(
    word: str,
) -> None:
    line = f"python -m x {_quoted(word)} {_quoted('job.gcode')}"
    assert split_as_the_c_runtime(line) == ["python", "-m", "x", word, "job.gcode"]
    assert not set("&|<>()^!;'`{}[]$") & set(seen_by_the_shell(line))


@given(
    st.lists(st.text(st.characters(exclude_characters='"', exclude_categories=["C"]), min_size=1))
)
def test_any_words_come_through(words: list[str]) -> None:
    line = " ".join(_quoted(word) for word in words)
    assert split_as_the_c_runtime(line) == words
    assert subprocess.list2cmdline([]) == ""  # the standard library's own rules agree:
    for word in words:
        if " " in word:
            assert subprocess.list2cmdline([word]) == _quoted(word)


# -- a file that another program holds --------------------------------------------------------


@pytest.fixture
def windows(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """No locks of files, no owners, replacing as Windows does it; the waits are noted."""
    waits: list[float] = []
    monkeypatch.setattr(files, "fcntl", None)
    monkeypatch.setattr(files, "WINDOWS", True)
    for name in ("fchmod", "fchown"):
        monkeypatch.delattr(os, name, raising=False)
    monkeypatch.setattr(files.time, "sleep", waits.append)
    return waits


def hold(monkeypatch: pytest.MonkeyPatch, tries: int) -> None:
    """The first so many replacements fail as WinError 32 and 5 do."""
    real, left = os.replace, [tries]

    def replace(scrap: object, target: object) -> None:
        if left[0] > 0:
            left[0] -= 1
            raise PermissionError(13, "The process cannot access the file", str(target))
        real(scrap, target)  # type: ignore[arg-type]

    monkeypatch.setattr(os, "replace", replace)


@pytest.mark.parametrize("tries", [0, 1, 5])
def test_file_held_for_a_moment_is_replaced(
    tmp_path: Path, windows: list[float], monkeypatch: pytest.MonkeyPatch, tries: int
) -> None:
    job = tmp_path / "job.gcode"
    job.write_bytes(b"old")
    hold(monkeypatch, tries)
    write_atomically(job, b"new", read_and_look(job)[1])
    assert job.read_bytes() == b"new" and windows == list(files.HELD_S[:tries])
    assert [one.name for one in tmp_path.iterdir()] == ["job.gcode"]


@pytest.mark.parametrize("way", ["bytes", "path"])
def test_file_held_for_good_stays_whole_and_the_wait_is_bounded(
    tmp_path: Path, windows: list[float], monkeypatch: pytest.MonkeyPatch, way: str
) -> None:
    job = tmp_path / "job.gcode"
    job.write_bytes(b"old")
    hold(monkeypatch, 99)
    with pytest.raises(FileError, match=r"held by another program .* it is unchanged. Close it"):
        if way == "bytes":
            write_atomically(job, b"new")
        else:
            with replacing(job) as scrap:
                scrap.write_bytes(b"new")
    assert job.read_bytes() == b"old" and sum(windows) < 2
    assert [one.name for one in tmp_path.iterdir()] == ["job.gcode"]


def test_hook_ends_with_one_line_when_the_host_holds_the_job(
    tmp_path: Path,
    windows: list[float],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    job = tmp_path / "job.gcode"
    job.write_bytes(JOB)
    hold(monkeypatch, 99)
    assert edit.main(["-p", "heron", str(job)]) == 2
    told = capsys.readouterr().err
    assert told.count("\n") == 1 and "held by another program" in told
    assert job.read_bytes() == JOB


def test_job_is_filmed_in_place_without_any_call_that_windows_lacks(
    tmp_path: Path, windows: list[float], monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("geteuid", "getuid", "fork", "O_NOFOLLOW", "O_NONBLOCK", "mkfifo"):
        monkeypatch.delattr(os, name, raising=False)
    job = tmp_path / "job.gcode"
    job.write_bytes(JOB.replace(b"\n", b"\r\n"))
    assert edit.main(["-p", "heron", str(job)]) == 0
    posed = job.read_bytes()
    assert b"; capturehook pose 1 begin" in posed and posed.count(b"\n") == posed.count(b"\r\n")
    assert edit.main(["-p", "heron", "--strip", str(job)]) == 0
    assert job.read_bytes() == JOB.replace(b"\n", b"\r\n")


# -- names ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name", ["con", "AUX.gcode", "nul.plan.json", "com1.toml", "LPT9", "prn. "]
)
def test_names_of_devices_are_refused(tmp_path: Path, windows: list[float], name: str) -> None:
    with pytest.raises(FileError, match="Windows keeps for a device"):
        write_atomically(tmp_path / name, b"new")
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("name", ["console.gcode", "com10.gcode", "auxiliary", "nulls.json"])
def test_names_like_those_are_taken(tmp_path: Path, windows: list[float], name: str) -> None:
    write_atomically(tmp_path / name, b"new")
    assert (tmp_path / name).read_bytes() == b"new"


def test_path_that_is_too_long_is_told_as_such(
    tmp_path: Path, windows: list[float], monkeypatch: pytest.MonkeyPatch
) -> None:
    job = tmp_path / ("a" * 100) / ("b" * 100) / "job.gcode"
    with pytest.raises(FileError, match="shorter path: Windows takes 259 letters"):
        write_atomically(job, b"new")


def test_drive_letters_are_no_line_numbers() -> None:
    for path in (r"C:\jobs\part.gcode", r"\\server\jobs\part.gcode"):
        assert str(Where(path, line_no=7)) == f"{path}:7"
        places = [Finding("x", f"{path}:{line}", "so it is") for line in (7, 9)]
        assert alike(places) == [f"! {path}:7: so it is [x] (also at 9)"]
        whole = [Finding("x", one, "so it is") for one in (path, path.replace("part", "two"))]
        assert alike(whole)[0].endswith(f"(also at {path.replace('part', 'two')})")


def test_patterns_are_expanded_there_and_brackets_are_names(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    for name in ("part1.gcode", "part[1].gcode", "a.jpg", "b.jpg"):
        Path(name).touch()
    assert [one.name for one in Path().glob("part[1].gcode")] == ["part1.gcode"]  # must not be
    words = ["apply", "part[1].gcode", "*.jpg", "*.none", "%TEMP%", "-o", "~x"]
    monkeypatch.setattr(sys, "argv", ["capturehook", *words])
    assert cli._expanded(None) is None
    monkeypatch.setattr(cli.os, "name", "nt")
    try:
        found = cli._expanded(None)
    finally:
        monkeypatch.undo()
    assert found == ["apply", "part[1].gcode", "a.jpg", "b.jpg", *words[3:]]


# -- the console ------------------------------------------------------------------------------


@pytest.mark.parametrize("encoding", ["cp437", "cp1252"])
def test_console_of_few_letters_gets_its_text(tmp_path: Path, encoding: str) -> None:
    job = tmp_path / "Ω Leuchtturm é.gcode"
    job.write_bytes(JOB)
    env = {**os.environ, "PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"}
    for words in (["plan", str(job), "-p", "heron"], ["profile", "show", "heron"]):
        command = [sys.executable, "-m", "capturehook", *words]
        done = subprocess.run(command, capture_output=True, env=env, timeout=120)
        assert done.returncode in (0, 1), done.stderr
        assert b"Traceback" not in done.stderr
        text = done.stdout.decode(encoding)
        assert text and "\\u2500" not in text  # no lines of a table as escapes
    command = [sys.executable, "-m", "capturehook.hosts.edit", "-p", "heron", str(job)]
    done = subprocess.run(command, capture_output=True, env=env, timeout=120)
    assert done.returncode == 0 and b"4 poses, adds" in done.stderr
