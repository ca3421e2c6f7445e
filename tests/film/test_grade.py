"""A .cube table: known tables, other people's arithmetic, and files that are wrong."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageFilter

from capturehook.errors import FrameError
from capturehook.film.grade import load_cube


def written(path, table, extra=()):
    """Red runs fastest: table[blue, green, red]."""
    size = len(table)
    rows = [" ".join(f"{v:.6f}" for v in table[b, g, r]) for b, g, r in _order(size)]
    path.write_text("\n".join(['TITLE "dusk"', "# by hand", f"LUT_3D_SIZE {size}", *extra, *rows]))
    return path


def _order(size):
    return itertools.product(range(size), repeat=3)


def identity(size):
    axis = np.linspace(0, 1, size)
    blue, green, red = np.meshgrid(axis, axis, axis, indexing="ij")
    return np.stack([red, green, blue], axis=-1)


@pytest.mark.parametrize("size", [2, 17, 33])
@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
def test_identity_changes_nothing(tmp_path, size, kind):
    cube = load_cube(written(tmp_path / "a.cube", identity(size)))
    rgb = np.random.default_rng(1).integers(0, np.iinfo(kind).max + 1, (90, 40, 3)).astype(kind)
    off = np.abs(cube.apply(rgb).astype(int) - rgb)
    assert cube.apply(rgb).dtype == kind and off.max() <= (0 if kind is np.uint8 else 1)


def tetrahedron(table, colour):
    """One colour by hand: the six tetrahedra of the textbook, written out."""
    size = len(table)
    spot = np.array(colour) * (size - 1)
    r0, g0, b0 = np.minimum(spot.astype(int), size - 2)
    fr, fg, fb = spot - (r0, g0, b0)

    def at(dr, dg, db):
        return table[b0 + db, g0 + dg, r0 + dr]

    a, z = at(0, 0, 0), at(1, 1, 1)
    if fr >= fg >= fb:
        return (1 - fr) * a + (fr - fg) * at(1, 0, 0) + (fg - fb) * at(1, 1, 0) + fb * z
    if fr >= fb >= fg:
        return (1 - fr) * a + (fr - fb) * at(1, 0, 0) + (fb - fg) * at(1, 0, 1) + fg * z
    if fb >= fr >= fg:
        return (1 - fb) * a + (fb - fr) * at(0, 0, 1) + (fr - fg) * at(1, 0, 1) + fg * z
    if fg >= fr >= fb:
        return (1 - fg) * a + (fg - fr) * at(0, 1, 0) + (fr - fb) * at(1, 1, 0) + fb * z
    if fg >= fb >= fr:
        return (1 - fg) * a + (fg - fb) * at(0, 1, 0) + (fb - fr) * at(0, 1, 1) + fr * z
    return (1 - fb) * a + (fb - fg) * at(0, 0, 1) + (fg - fr) * at(0, 1, 1) + fr * z


@pytest.mark.property
@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(0, 1), min_size=3, max_size=3), st.integers(2, 5))
def test_colours_between_points_are_those_of_the_six_tetrahedra(colour, size):
    import tempfile
    from pathlib import Path

    table = np.random.default_rng(size).uniform(0, 1, (size, size, size, 3))
    with tempfile.TemporaryDirectory() as folder:
        cube = load_cube(written(Path(folder) / "a.cube", table))
    found = cube.look_up(np.array([colour], np.float32))[0]
    assert found == pytest.approx(tetrahedron(table, colour), abs=1e-4)


def test_smooth_table_is_as_pillow_applies_it(tmp_path):
    table = identity(17) ** (0.8, 1.0, 1.2)
    rgb = np.random.default_rng(2).integers(0, 256, (50, 60, 3)).astype(np.uint8)
    theirs = Image.fromarray(rgb).filter(ImageFilter.Color3DLUT(17, table.reshape(-1, 3).tolist()))
    ours = load_cube(written(tmp_path / "a.cube", table)).apply(rgb)
    assert np.abs(ours.astype(int) - np.asarray(theirs)).max() <= 1


def test_domain_is_minded(tmp_path):
    extra = ("DOMAIN_MIN 0 0 0", "DOMAIN_MAX 2 2 2")
    cube = load_cube(written(tmp_path / "a.cube", identity(5), extra))
    grey = np.full((2, 2, 3), 200, np.uint8)
    assert (cube.apply(grey) == 100).all()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("LUT_3D_SIZE 2\n0 0 0\n0 zero 0\n", "a.cube:3: '0 zero 0' is not three numbers"),
        ("LUT_3D_SIZE 2\n0 0 0\n", "holds 1 colours where 2 cubed is 8"),
        ("LUT_3D_SIZE 2\n" + "0 0 0\n" * 9, "a.cube:10: is beyond the 2 cubed colours"),
        ("LUT_1D_SIZE 16\n", "a.cube:1: is a table of one dimension"),
        ("LUT_3D_SIZE 999\n", "is no size from 2 to 256"),
        ("LUT_3D_SIZE 2\n0 nan 0\n", "is not finite"),
        ("LUT_3D_SIZE 2\n0 0\n", "a.cube:2: '0 0' is not three numbers"),
        ("SIZE 2\n", "a.cube:1: 'SIZE' is not a word of the .cube form"),
        ("", "states no LUT_3D_SIZE"),
        ("LUT_3D_SIZE 2\nDOMAIN_MAX 0 0 0\n" + "0 0 0\n" * 8, "not above its DOMAIN_MIN"),
    ],
)
def test_bad_table_is_one_clear_error_with_its_line(tmp_path, text, said):
    (tmp_path / "a.cube").write_text(text)
    with pytest.raises(FrameError) as raised:
        load_cube(tmp_path / "a.cube")
    assert said in str(raised.value)
