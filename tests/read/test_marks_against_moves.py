"""Layer marks that the moves deny: inside a layer, missing, doubled, all of them wrong."""

from __future__ import annotations

import pytest

from capturehook import apply, inspect, load_profile

HERON = load_profile("heron")


def job(*, heights: int = 8, after: dict[int, list[str]] | None = None, missing: int = -1) -> bytes:
    """Squares in layers of 0.2 mm; ``after`` puts lines into the middle of a layer."""
    lines = ["G90", "M83", "G92 E0"]
    for layer in range(heights):
        if layer != missing:
            lines.append(f";LAYER:{layer}")
        lines.append(f"G1 X100 Y100 Z{0.2 * (layer + 1):.1f} F9000")
        corners = [f"G1 X{x} Y{y} E0.7 F1800" for x, y in ((120, 100), (120, 120))]
        corners += (after or {}).get(layer, [])
        corners += [f"G1 X{x} Y{y} E0.7 F1800" for x, y in ((100, 120), (100, 100))]
        lines += [*corners, "G1 E-0.8 F2100", "G1 E0.8 F2100"]
    return "\n".join([*lines, "M104 S0", "M84", ""]).encode()


def told(data: bytes) -> list[tuple[str, str]]:
    found = inspect(data, HERON).findings
    return [(one.code, one.where) for one in found if "mark" in one.code]


def layers_of(data: bytes) -> list[int]:
    """The lines before which poses stand, as their number of the layer just printed."""
    return [pose.layer for pose in apply(data, HERON).poses]


def test_marks_that_fit_are_believed_silently() -> None:
    assert told(job()) == []
    assert inspect(job(), HERON).layers["from"] == "layer_number"


def test_mark_inside_a_layer_is_not_believed() -> None:
    """A pose in the middle of a layer would leave a scar on it."""
    data = job(after={3: [";LAYER:99"]})
    line = data.split(b"\n").index(b";LAYER:99") + 1
    assert told(data) == [("marks-contradict", f"job:{line}")]
    assert inspect(data, HERON).layers["count"] == 8
    assert layers_of(data) == layers_of(job())
    lines = data.split(b"\n")
    for pose in apply(data, HERON).poses:
        assert abs(pose.line_no - line) > 2, lines[pose.line_no - 2 : pose.line_no + 1]


def test_missing_mark_is_told_and_its_layer_found() -> None:
    data = job(missing=4)
    line = data.split(b"\n").index(b";LAYER:3") + 1
    assert told(data) == [("marks-contradict", f"job:{line}")]
    assert inspect(data, HERON).layers["count"] == 8
    assert layers_of(data) == layers_of(job())


def test_doubled_mark_with_nothing_between_does_no_harm() -> None:
    data = job().replace(b";LAYER:3\n", b";LAYER:3\n;LAYER:3\n")
    assert told(data) == []
    assert layers_of(data) == layers_of(job())


@pytest.mark.parametrize("layer", [1, 6])
def test_doubled_mark_with_printing_between_is_not_believed(layer: int) -> None:
    data = job(after={layer: [f";LAYER:{layer}"]})
    assert [code for code, _ in told(data)] == ["marks-contradict"]
    assert layers_of(data) == layers_of(job())


def test_other_kind_of_mark_in_the_file_is_taken_where_it_fits() -> None:
    data = job(after={3: [";LAYER:99"]})
    for layer in range(8):
        data = data.replace(b";LAYER:%d\n" % layer, b";LAYER:%d\n;LAYER_CHANGE\n" % layer)
    assert told(data) == [] and inspect(data, HERON).layers["from"] == "layer_change_z"
