"""`capturehook profile`, called as a person calls it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from capturehook.cli.main import main, run
from capturehook.profile import load_profile, parse_profile


@pytest.fixture(autouse=True)
def _own_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "own é"))
    monkeypatch.setenv("HOME", str(tmp_path))


def call(*words: str) -> Result:
    return CliRunner().invoke(main, ["profile", *words], catch_exceptions=False)


def code_of(words: list[str], capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    """Exit code, standard output and standard error of the whole program."""
    with pytest.raises(SystemExit) as stop:
        run(["profile", *words])
    captured = capsys.readouterr()
    return int(str(stop.value.code)), captured.out, captured.err


def test_new_profile_can_be_named_and_is_sound(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = code_of(["new", "mine", "--from", "kestrel"], capsys)
    assert (code, err) == (0, "")
    assert "mine.toml: written" in out
    assert load_profile("mine").machine.firmware == "klipper"
    assert code_of(["check", "mine"], capsys)[0] == 0


def test_new_profile_never_overwrites_unasked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    there = tmp_path / "mine.toml"
    there.write_text("my own\n")
    code, _, err = code_of(["new", "mine", "-o", str(there)], capsys)
    assert code == 2
    assert err == f"{there}: exists already. Choose another name, or add --replace.\n"
    assert there.read_text() == "my own\n"
    assert code_of(["new", "mine", "-o", str(there), "--replace"], capsys)[0] == 0
    assert load_profile(there).name == "mine"


@pytest.mark.parametrize("name", ["My Printer", "../up", "", "-x" * 30, "é"])
def test_new_profile_needs_a_plain_name(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = code_of(["new", "--", name], capsys)
    assert code == 2
    assert "is not a valid profile name" in err


def test_new_profile_in_a_folder_that_cannot_be_made(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "own é").write_text("a file where the folder should be")
    code, _, err = code_of(["new", "mine"], capsys)
    assert code == 2
    assert "the folder cannot be created" in err
    assert err.count("\n") == 1


def test_list_shows_own_before_built_in_and_counts_faults(tmp_path: Path) -> None:
    own = tmp_path / "own é" / "capturehook"
    own.mkdir(parents=True)
    (own / "heron.toml").write_text("schema = 1\n")
    shelf = {one["name"]: one for one in json.loads(call("list", "--json").output)["profiles"]}
    assert shelf["heron"] == {
        "name": "heron",
        "path": str(own / "heron.toml"),
        "firmware": "",
        "trigger": "",
        "faults": 3,
    }
    assert (shelf["kestrel"]["firmware"], shelf["kestrel"]["trigger"]) == ("klipper", "pin")
    assert shelf["tern"]["faults"] == 0
    assert "kestrel" in call("list").output


def test_show_prints_a_profile_that_reads_back() -> None:
    out = call("show", "heron").output
    assert parse_profile(out, "shown") == load_profile("heron")
    assert json.loads(call("show", "heron", "--json").output)["machine"]["x_mm"] == [0, 235]


def test_check_reports_all_faults_with_exit_code_2(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = tmp_path / "bed é.toml"
    bad.write_text('schema = 1\nname = "bed"\nhop = 3\n[park]\nx_mm = "8"\ny_mm = 5\n')
    code, out, err = code_of(["check", str(bad)], capsys)
    assert (code, out) == (2, "")
    assert err.splitlines() == [
        f"{bad}: [machine]: is missing. Add this table.",
        f'{bad}: [park] x_mm: "8" is not a number. Take the quotes off.',
        f"{bad}: hop: unknown key, nearest is hop_mm_min in [park]. Correct it, or delete it.",
    ]
    code, out, _ = code_of(["check", str(bad), "--json"], capsys)
    assert code == 2
    assert [one["where"] for one in json.loads(out)["errors"]][1] == f"{bad}: [park] x_mm"


def test_check_shows_findings_with_exit_code_1(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = call("show", "kestrel").output.replace("hold_ms = 200", "hold_ms = 20")
    (tmp_path / "capture.toml").write_text(text)
    code, out, err = code_of(["check"], capsys)
    assert code == 1
    assert "1 to look at" in out
    assert "[hold-short]" in err
    assert json.loads(call("check", "--json").output)["findings"][0]["code"] == "hold-short"


def test_check_shows_a_spread_that_spreads_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = call("show", "heron").output.replace('spread = "height"', 'spread = "time"')
    (tmp_path / "capture.toml").write_text(text)
    code, _, err = code_of(["check"], capsys)
    assert code == 1 and '[capture] spread: "time" has no effect without film_s' in err
    (tmp_path / "capture.toml").write_text(text.replace("every_layers = 1", "film_s = 4"))
    assert code_of(["check"], capsys)[0] == 0


def test_schema_is_json_and_its_table_is_markdown() -> None:
    assert json.loads(call("schema").output)["properties"]["schema"]["const"] == 1
    table = call("schema", "--markdown").output
    assert "\n- `lag_ms` (`120`): " in table
