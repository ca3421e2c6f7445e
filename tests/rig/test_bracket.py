"""Printable parts: the beams by the handbook, the solids by another library and by plain rays."""

from __future__ import annotations

import io
import json
import os
import re
import shlex
import subprocess
import xml.etree.ElementTree as ET
from zipfile import ZipFile

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capturehook.cli.main import run
from capturehook.errors import CaptureHookError
from capturehook.profile import parse_profile
from capturehook.rig import bracket_clips as clips
from capturehook.rig import bracket_switch as parts
from capturehook.rig.bracket import CLEARANCE_MM
from capturehook.rig.bracket_drawing import draw_bracket
from capturehook.rig.solid import as_3mf, as_printed, as_stl, build, triangles

pytest.importorskip("manifold3d")
SWITCHES = [parts.SwitchBracket(switch=name) for name in parts.SWITCHES]
ALL = [
    *(parts.switch_bracket(one) for one in SWITCHES),
    clips.sensor_bracket(clips.SensorBracket()),
    clips.tapper_bracket(clips.TapperBracket()),
    clips.tapper_bracket(clips.TapperBracket(phone_mm=14, horn_mm=20)),
]


def is_inside(point, corners, faces) -> bool:
    """Ray casting (Moeller and Trumbore 1997), an odd number of crossings is inside."""
    direction = np.array([0.5773, 0.5193, 0.6299])
    a, b, c = (corners[faces[:, at]] for at in range(3))
    edge1, edge2 = b - a, c - a
    h = np.cross(direction, edge2)
    det = (edge1 * h).sum(axis=1)
    ok = np.abs(det) > 1e-12
    inv = np.where(ok, 1 / np.where(ok, det, 1), 0)
    s = np.asarray(point) - a
    u = (s * h).sum(axis=1) * inv
    q = np.cross(s, edge1)
    v = (q @ direction) * inv
    t = (edge2 * q).sum(axis=1) * inv
    hits = ok & (u >= 0) & (v >= 0) & (u + v <= 1) & (t > 1e-9)
    return bool(hits.sum() % 2)


@pytest.mark.parametrize("made", ALL, ids=lambda one: one.kind)
def test_stl_is_one_watertight_body_of_the_volume_told(made) -> None:
    """trimesh reads the STL and tells by itself whether it is closed, and its volume."""
    trimesh = pytest.importorskip("trimesh")
    solid = build(made)
    mesh = trimesh.load(io.BytesIO(as_stl(as_printed(made, solid))), file_type="stl")
    assert mesh.bounds[0] == pytest.approx([0, 0, 0], abs=1e-4)
    assert mesh.is_watertight and mesh.is_winding_consistent
    assert mesh.volume == pytest.approx(solid.volume(), rel=1e-5)
    assert mesh.body_count == 1


@pytest.mark.parametrize("made", ALL, ids=lambda one: one.kind)
def test_3mf_holds_the_same_body(made) -> None:
    """3MF core specification: names of the parts, unit, and the divergence theorem's volume."""
    solid = build(made)
    with ZipFile(io.BytesIO(as_3mf(solid))) as package:
        assert package.namelist()[0] == "[Content_Types].xml"
        model = ET.fromstring(package.read("3D/3dmodel.model"))
        ET.fromstring(package.read("_rels/.rels"))
    assert model.get("unit") == "millimeter"
    space = "{http://schemas.microsoft.com/3dmanufacturing/core/2015/02}"
    corners = np.array([[float(v.get(k)) for k in "xyz"] for v in model.iter(f"{space}vertex")])
    faces = np.array(
        [[int(t.get(k)) for k in ("v1", "v2", "v3")] for t in model.iter(f"{space}triangle")]
    )
    a, b, c = (corners[faces[:, at]] for at in range(3))
    assert (a * np.cross(b, c)).sum() / 6 == pytest.approx(solid.volume(), rel=1e-4)


@pytest.mark.parametrize("made", ALL, ids=lambda one: one.kind)
def test_every_hole_is_open_and_has_a_wall_around_it(made) -> None:
    """By rays through the triangles: air on the axis, plastic 1.2 mm (three lines) beyond it."""
    solid = build(made)
    corners, faces = triangles(solid)
    for hole in made.holes:
        axis = "xyz".index(hole.axis)
        middle = np.array(hole.centre, dtype=float)
        middle[axis] += hole.long_mm / 2
        middle += np.array([0.0137, 0.0171, 0.0113])
        assert not is_inside(middle, corners, faces), hole
        across = [at for at in range(3) if at != axis]
        walls = 0
        for turn in np.linspace(0, 2 * np.pi, 8, endpoint=False):
            for reach in (hole.diameter_mm / 2 + 0.3, hole.diameter_mm / 2 + 1.2):
                point = middle.copy()
                point[across[0]] += reach * np.cos(turn)
                point[across[1]] += reach * np.sin(turn)
                if hole.slide_mm and abs(np.cos(turn)) > 1e-6:
                    point[across[0]] += np.sign(np.cos(turn)) * hole.slide_mm / 2
                walls += is_inside(point, corners, faces)
        assert walls == 16, hole


@pytest.mark.parametrize("wish", SWITCHES, ids=lambda one: one.switch)
def test_switch_holes_are_a_pitch_apart_in_the_mesh(wish) -> None:
    """Corners on the rims of the holes, found in the triangles: their centres by their mean."""
    made = parts.switch_bracket(wish)
    corners, _ = triangles(build(made))
    switch = parts.SWITCHES[wish.switch]
    radius = CLEARANCE_MM[switch.screw] / 2
    centres = []
    for hole in (h for h in made.holes if h.axis == "z" and h.diameter_mm == 2 * radius):
        flat = corners[np.abs(corners[:, 2]) < 1e-6][:, :2]
        rim = flat[np.abs(np.hypot(*(flat - hole.centre[:2]).T) - radius) < 1e-3]
        assert len(rim) >= 24
        centres.append(rim.mean(axis=0))
    assert len(centres) == 2
    assert np.hypot(*(centres[1] - centres[0])) == pytest.approx(switch.pitch_mm, abs=0.01)


@pytest.mark.property
@settings(max_examples=40, deadline=None)
@given(
    st.sampled_from(sorted(parts.SWITCHES)),
    st.sampled_from(sorted(parts.MATERIALS)),
    st.floats(0.5, 5),
    st.floats(25, 200),
    st.floats(6, 14),
)
def test_leaves_yield_before_the_switch_breaks_or_the_axis_loses_steps(
    name, material, overrun_mm, thrust_n, thick_mm
) -> None:
    """Roark, fixed-guided beam: k = 24 E I/L^3 for two, strain = 3 h d/L^2; worked anew here."""
    wish = parts.SwitchBracket(
        switch=name,
        material=material,
        overrun_mm=overrun_mm,
        thrust_n=thrust_n,
        thick_mm=thick_mm,
    )
    leaves = parts.size_leaves(wish)
    e_mpa, limit = parts.MATERIALS[material]
    k = 24 * e_mpa * (thick_mm * leaves.thick_mm**3 / 12) / leaves.long_mm**3
    force = parts.SWITCHES[name].force_n
    bend = leaves.preload_n / k + overrun_mm
    assert leaves.preload_n >= 1.2 * force  # the switch closes before the leaves move
    assert leaves.preload_n + k * overrun_mm < 0.2 * thrust_n
    assert 3 * leaves.thick_mm * bend / leaves.long_mm**2 <= limit * 1.02
    assert leaves.thick_mm >= 0.8 - 1e-9


def test_axis_too_weak_for_the_switch_is_refused() -> None:
    with pytest.raises(CaptureHookError, match="too little"):
        parts.switch_bracket(parts.SwitchBracket(switch="19.8-pin", thrust_n=10))


@pytest.mark.parametrize("wish", SWITCHES, ids=lambda one: one.switch)
def test_bracket_writes_what_the_button_takes(wish) -> None:
    """The lines are keys the profile knows, and the press they make is where makers ask."""
    made = parts.switch_bracket(wish)
    rated = parts.SWITCHES[wish.switch].overtravel_mm
    head = """schema = 1
name = "heron"
[machine]
firmware = "marlin"
x_mm = [0, 250]
y_mm = [0, 210]
z_mm = [0, 210]
moves = "bed-y"
[park]
x_mm = 200
y_mm = 200
"""
    text = head + "\n".join(made.profile) + "\nx_mm = 240\nrepeat_mm = 0.05\n"
    trigger = parse_profile(text, "heron.toml").trigger
    depth = trigger.press_share * trigger.overtravel_mm
    assert 0.7 <= depth / rated <= 1.0 and depth + 0.05 < rated
    assert depth == pytest.approx(made.numbers["depth_mm"])


def test_horn_that_does_not_reach_is_told() -> None:
    made = clips.tapper_bracket(clips.TapperBracket(horn_mm=13, push_mm=3))
    assert [one.code for one in made.findings] == ["horn-short"]


@pytest.mark.parametrize("made", ALL, ids=lambda one: one.kind)
def test_drawing_shows_sizes_hardware_and_cautions(made) -> None:
    root = ET.fromstring(draw_bracket(made, build(made)))
    said = [one.text or "" for one in root.iter("{http://www.w3.org/2000/svg}text")]
    whole = " ".join(one.removeprefix("- ") for one in said)
    assert all(size.text in said for size in made.sizes)
    assert all(text in whole for text in made.hardware)
    assert all(one.text in whole for one in made.cautions)
    ys = [float(one.get("y")) for one in root.iter("{http://www.w3.org/2000/svg}text")]
    assert max(ys) < float(root.get("height"))


def test_command_writes_part_and_drawing(tmp_path, capsys) -> None:
    for name in ("part.stl", "part.3mf"):
        with pytest.raises(SystemExit) as ended:
            run(["bracket", "sensor", "-o", str(tmp_path / name), "--json"])
        told = json.loads(capsys.readouterr().out)
        assert ended.value.code == 0 and told["volume_mm3"] > 1000
        assert (tmp_path / name).stat().st_size > 1000
    assert (tmp_path / "part.svg").is_file()
    with pytest.raises(SystemExit) as ended:
        run(["bracket", "sensor", "-o", str(tmp_path / "part.obj")])
    assert ended.value.code == 2


@pytest.mark.host
@pytest.mark.skipif(
    not (os.environ.get("CAPTUREHOOK_HOST_CMD") and os.environ.get("CAPTUREHOOK_HOST_PLAIN_ARGS")),
    reason="CAPTUREHOOK_HOST_CMD and CAPTUREHOOK_HOST_PLAIN_ARGS name no slicing host",
)
@pytest.mark.parametrize("made", ALL, ids=lambda one: one.kind)
def test_a_real_host_slices_it(made, tmp_path) -> None:
    """Opt-in, as tests/hosts/test_real_host.py: {stl} and {out} in the words."""
    stl, out = tmp_path / "part.stl", tmp_path / "part.gcode"
    stl.write_bytes(as_stl(as_printed(made, build(made))))
    words = [*shlex.split(os.environ["CAPTUREHOOK_HOST_CMD"])]
    for word in shlex.split(os.environ["CAPTUREHOOK_HOST_PLAIN_ARGS"]):
        words.append(word.replace("{stl}", str(stl)).replace("{out}", str(out)))
    subprocess.run(words, check=True, capture_output=True, timeout=300, cwd=tmp_path)
    assert out.read_bytes().count(b"G1") > 100


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("sensor -p tern", 'edge = "light-off"\n    delay_ms = 6000'),
        ("tapper -p heron", ""),
        ("tapper -p kestrel", "kestrel: klipper has no M280, .*: say it by SET_SERVO"),
    ],
)
def test_bracket_lines_are_those_for_the_profile(tmp_path, capsys, words, told):
    out = tmp_path / "a.stl"
    with pytest.raises(SystemExit) as stopped:
        run(["bracket", *words.split(), "-o", str(out)])
    text = "".join(capsys.readouterr())
    assert re.search(told, text)
    assert stopped.value.code == ("has no M280" in text) == ("kestrel" in words)
