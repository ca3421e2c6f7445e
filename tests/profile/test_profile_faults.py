"""Faults of a profile in their exact words, all in one report.

A new case needs no Python: `reject/<case>.toml` beside a `.txt` with the whole report, the path
as the bare file name. `*` stands for words of the TOML reader, which are not ours.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from fnmatch import translate
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capturehook.errors import FileError, ProfileError
from capturehook.model.profile import Profile
from capturehook.model.tables import Record
from capturehook.profile import build_profile, find_profile, load_profile, parse_profile
from capturehook.profile.faults import record_of
from tests.strategies import profile_table

REJECT = sorted((Path(__file__).parent / "reject").glob("*.toml"))


def test_reject_cases_are_there() -> None:
    assert len(REJECT) >= 35
    assert {path.stem for path in REJECT} == {
        path.stem for path in (Path(__file__).parent / "reject").glob("*.txt")
    }


@pytest.mark.parametrize("path", REJECT, ids=lambda path: path.stem)
def test_faulty_profile_is_refused_in_these_words(path: Path) -> None:
    with pytest.raises(ProfileError) as caught:
        load_profile(path)
    found = str(caught.value).replace(str(path), path.name)
    wanted = path.with_suffix(".txt").read_text().rstrip("\n")
    if path.stem.startswith("toml_"):
        pattern = translate(wanted.replace("[", "[[]")).replace(".*", ".+")
        assert re.fullmatch(pattern, found), found
    else:
        assert found == wanted


@pytest.mark.parametrize("path", REJECT, ids=lambda path: path.stem)
def test_every_fault_is_one_line_with_a_place_and_advice(path: Path) -> None:
    with pytest.raises(ProfileError) as caught:
        load_profile(path)
    lines = str(caught.value).splitlines()
    assert len(lines) == len(caught.value.faults)
    for line in lines:
        assert re.fullmatch(r"\S+?\.toml(:\d+:\d+)?: (.+)\. [A-Z].+\.", line), line
        assert "pydantic" not in line
        assert "Input" not in line
        assert ".." not in line


def leaves(model: type[Record] = Profile) -> Iterator[tuple[type[Record], str, Any]]:
    """Every (record, key, field) of the profile that is no table."""
    for name, field in model.model_fields.items():
        key = field.alias or name
        record = record_of(model, key)
        if record is not None:
            yield from leaves(record)
        else:
            yield model, key, field


def refuses(model: type[Record], key: str, value: object) -> bool:
    """Whether a record finds fault with this key, whatever else it misses."""
    from pydantic import ValidationError

    try:
        model.model_validate({key: value})
    except ValidationError as fault:
        return any(
            error["loc"][:1] == (key,) and error["type"] != "missing" for error in fault.errors()
        )
    return False


LEAVES = {f"{model.__name__}.{key}": (model, key, field) for model, key, field in leaves()}


@pytest.mark.parametrize("name", LEAVES)
def test_no_key_takes_a_value_of_another_kind(name: str) -> None:
    """TOML 1.0.0 has kinds: "8" is text, true is no number, 1 is no boolean."""
    model, key, field = LEAVES[name]
    kind = str(field.annotation)
    junk: list[object] = [{"a": [1]}, float("nan"), float("inf")]
    junk += [True] if "bool" not in kind else [1, "true"]
    junk += ["8"] if "str" not in kind and "Literal" not in kind else []
    for value in junk:
        assert refuses(model, key, value), value


def test_leaves_cover_all_tables() -> None:
    assert len(LEAVES) > 90
    assert {"Machine.accel_mm_s2", "Stage.mm", "PlatePose.z_mm", "KeepOut.name"} <= set(LEAVES)


JUNK = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.just(10**400),
    st.floats(),
    st.text(max_size=20),
    st.dates(),
    st.lists(st.integers(), max_size=3),
    st.dictionaries(st.text(max_size=8), st.integers(), max_size=2),
)


@pytest.mark.property
@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_any_value_anywhere_is_taken_or_refused_in_plain_words(data: st.DataObject) -> None:
    """Only our own error may leave the reader."""
    table = profile_table("marlin")
    names = ["machine", "park", "retract", "camera", "trigger", "capture", "ooze", "resin"]
    name = data.draw(st.sampled_from([*names, "parks"]))
    record = record_of(Profile, name) or record_of(Profile, "park")
    assert record is not None
    key = data.draw(st.sampled_from([*record.model_fields, "speed"]))
    if data.draw(st.booleans()):
        table[name] = data.draw(JUNK)
    else:
        table[name] = {**table.get(name, {}), key: data.draw(JUNK)}
    try:
        build_profile(table, "heron.toml")
    except ProfileError as fault:
        for line in str(fault).splitlines():
            assert re.fullmatch(r"heron\.toml: .+\. [A-Z].+\.", line), line


@pytest.mark.property
@settings(max_examples=150, deadline=None)
@given(
    cut=st.integers(0, 900), put=st.text(max_size=6), take=st.integers(0, 30), seed=st.booleans()
)
def test_a_damaged_text_is_taken_or_refused(cut: int, put: str, take: int, seed: bool) -> None:
    text = find_profile("heron" if seed else "tern").read_text()
    try:
        parse_profile(text[:cut] + put + text[cut + take :], "heron.toml")
    except ProfileError as fault:
        assert str(fault).startswith("heron.toml:")


def test_profile_that_is_a_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FileError, match=r"cannot be read \(Is a directory\)"):
        load_profile(tmp_path)


def test_profile_that_is_missing_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FileError, match=r"cannot be read \(No such file or directory\)"):
        load_profile(tmp_path / "none.toml")


def test_a_job_given_for_a_profile_is_refused(tmp_path: Path) -> None:
    job = tmp_path / "lighthouse.gcode"
    job.write_bytes(b"G1 X1 Y1 E1\n" * 100_000)
    with pytest.raises(ProfileError, match="is too long for a profile"):
        load_profile(str(job))


@pytest.mark.parametrize("wish", ["", "heronn", "\x00", "héron", "x" * 5000])
def test_unknown_name_lists_the_names(
    wish: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    with pytest.raises(FileError, match="Known are heron, kestrel, tern"):
        find_profile(wish)


def test_search_order_is_path_local_own_built_in(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from capturehook.profile import user_folder
    from capturehook.profile.load import BUILT_IN

    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "own"))
    monkeypatch.setenv("HOME", str(tmp_path))
    assert find_profile("heron") == BUILT_IN / "heron.toml"
    with pytest.raises(FileError, match="no profile was named"):
        find_profile(None)
    own = user_folder() / "heron.toml"
    own.parent.mkdir(parents=True)
    own.write_text("schema = 1\n")
    assert find_profile("heron") == own
    Path("capture.toml").write_text("schema = 1\n")
    assert find_profile(None) == Path("capture.toml")
    assert find_profile("./heron.toml") == Path("heron.toml")


def test_unreadable_folder_of_ones_own_hides_no_starter(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A host may run as a user who must not look into the folder of another."""
    from capturehook.profile import load as profile

    def shut(folder: Path, pattern: str) -> list[Path]:
        if folder == profile.user_folder():
            raise PermissionError(13, "Permission denied", str(folder))
        return [folder / "heron.toml"]

    monkeypatch.setattr(Path, "glob", shut)
    assert find_profile("heron") == profile.BUILT_IN / "heron.toml"


@pytest.mark.parametrize("wish", ["~nobody-here/a.toml", "x" * 5000 + ".toml", "a/b", "./heron"])
def test_path_that_leads_nowhere_is_refused(wish: str, tmp_path: Path) -> None:
    with pytest.raises(FileError, match="cannot be read"):
        load_profile(wish)


def test_key_of_odd_letters_is_shown_on_one_line() -> None:
    """TOML 1.0.0 allows any text as a quoted key."""
    text = 'schema = 1\n"a\\nb" = 1\n"" = 2\n' + "x" * 90 + " = 3\n"
    with pytest.raises(ProfileError) as caught:
        parse_profile(text, "heron.toml")
    assert "heron.toml: 'a\\nb': unknown key. Delete it." in str(caught.value).splitlines()
    assert "heron.toml: '': unknown key. Delete it." in str(caught.value).splitlines()
    assert max(map(len, str(caught.value).splitlines())) < 110


@pytest.mark.parametrize("fps", [0, -25, 10**400, float("nan"), float("inf"), 1e300])
def test_film_speed_that_is_none_is_refused(fps: float) -> None:
    with pytest.raises(ProfileError, match=r"\[capture\] fps: .+ is not a film speed"):
        build_profile(profile_table("marlin", capture={"fps": fps}), "heron.toml")


def test_environment_names_the_profile_only_where_nothing_nearer_does(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("CAPTUREHOOK_PROFILE", "kestrel")
    assert load_profile(None).name == "kestrel"
    assert load_profile("heron").name == "heron"
    Path("capture.toml").write_text("schema = 1\n")
    assert find_profile(None) == Path("capture.toml")
    Path("capture.toml").unlink()
    monkeypatch.setenv("CAPTUREHOOK_PROFILE", "")
    with pytest.raises(FileError, match="CAPTUREHOOK_PROFILE is not set"):
        find_profile(None)
