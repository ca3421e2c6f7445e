"""Which line of a layer change a pose block is put before.

The rules are docs/explain/pose_block.md#where: never inside what belongs together; retracted if
the job does so; over the place where printing goes on; high rather than low.
"""

from __future__ import annotations

from typing import Any

import pytest

from capturehook.model.stop import NoStop, Stop
from capturehook.place.stops import Gap, find_gap, find_resume_gap, find_stop
from capturehook.read.features import find_features
from capturehook.read.spans import find_spans
from tests.read.reading_layers import layers_of, source_of

START = ["G90", "M83", ";LAYER:0"]
LAYER = ["G1 X10 Y10 Z.2 F9000", "G1 X20 Y10 E1 F1800", "G1 X20 Y20 E1"]


def placed(
    *lines: str,
    layer_index: int = 0,
    retract_mm: float = 0.8,
    resume: str = "",
    bed_sinks: bool = False,
) -> Any:
    """The stop after a layer, as (line index, the text of that line), or the NoStop."""
    table, _, job = layers_of(*lines)
    source = source_of(*lines)
    gap: Gap | None
    if resume:
        gap = find_resume_gap(job, table, layer_index, find_features(source), resume)
        if gap is None:
            return None
    else:
        gap = find_gap(job, table, layer_index, source)
    spans = find_spans(source, job)
    found = find_stop(job, gap, spans, retract_mm, bed_sinks=bed_sinks)
    return found if isinstance(found, NoStop) else (found, [*lines, "(end)"][found.line_index])


def change(*between: str) -> list[str]:
    """A layer, the lines in between, and the next layer (which begins at 30, 30)."""
    return [*START, *LAYER, *between, "G1 X40 Y30 E1 F1800", "G1 X40 Y40 E1"]


RETRACT, UNRETRACT = "G1 E-.8 F2100", "G1 E.8 F2100"


def test_stop_is_after_the_travel_and_before_the_unretract() -> None:
    lines = change(";LAYER:1", RETRACT, "G1 Z.4 F600", "G1 X30 Y30 F9000", UNRETRACT)
    assert placed(*lines)[1] == UNRETRACT


def test_stop_is_high_before_the_descent_of_a_hop() -> None:
    lines = change(RETRACT, ";LAYER:1", "G1 Z1 F600", "G1 X30 Y30 F9000", "G1 Z.4 F600", UNRETRACT)
    assert placed(*lines)[1] == "G1 Z.4 F600"


def test_drawn_back_counts_more_than_the_place() -> None:
    # The job un-retracts before it travels on: better away from the next start than primed.
    lines = change(";LAYER:1", RETRACT, "G1 Z.4 F600", UNRETRACT, "G1 X30 Y30 F9000")
    assert placed(*lines)[1] == UNRETRACT


def test_without_retraction_the_stop_is_over_the_next_start() -> None:
    lines = change(";LAYER:1", "G1 Z.4 F600", "G1 X30 Y30 F9000")
    assert placed(*lines)[1].startswith("G1 X40 Y30")


def test_half_a_retraction_is_better_than_none() -> None:
    lines = change(";LAYER:1", "G1 E-.3 F2100", "G1 Z.4 F600", "G1 E.3", "G1 X30 Y30 F9000")
    assert placed(*lines)[1] == "G1 E.3"


def test_firmware_retraction_counts_as_drawn_back() -> None:
    lines = change(";LAYER:1", "G10", "G1 Z.4 F600", "G1 X30 Y30 F9000", "G11")
    assert placed(*lines)[1] == "G11"


def test_bare_wipe_is_not_split() -> None:
    wipe = ["G1 X19 Y20 E-.4 F7200", "G1 X18 Y20 E-.4"]
    lines = change(";LAYER:1", *wipe, "G1 E-.1 F2100", "G1 Z.4 F600", "G1 E.9")
    found, text = placed(*lines)
    assert text == "G1 E.9"
    assert lines.index(wipe[1]) != found.line_index


def test_bare_wipe_is_not_split_even_over_the_next_start() -> None:
    wipe = ["G1 X30 Y30 E-.8 F7200", "G1 X18 Y20 E-.1"]
    lines = change(";LAYER:1", *wipe, "G1 E.9 F2100", "G1 X30 Y30 Z.4 F9000")
    assert placed(*lines)[1] == "G1 E.9 F2100"


@pytest.mark.parametrize(
    ("begin", "end"),
    [
        (";WIPE_START", ";WIPE_END"),
        ("EXCLUDE_OBJECT_START NAME=a", "EXCLUDE_OBJECT_END NAME=a"),
        ("; printing object a", "; stop printing object a"),
        ("M486 S0", "M486 S-1"),
        ("; CONFIG_BLOCK_START", "; CONFIG_BLOCK_END"),
    ],
)
def test_stop_is_never_inside_a_pair(begin: str, end: str) -> None:
    # All of the better places lie inside the pair; its two edges are left.
    lines = change(";LAYER:1", begin, RETRACT, "G1 Z.4 F600", "G1 X30 Y30 F9000", UNRETRACT, end)
    found, _ = placed(*lines)
    assert found.line_index not in range(lines.index(begin) + 1, lines.index(end) + 1)


def test_stop_is_before_a_tool_change_and_not_between_it_and_plastic() -> None:
    lines = change(";LAYER:1", RETRACT, "G1 Z.4 F600", "T1", "G1 X30 Y30 F9000", UNRETRACT)
    assert placed(*lines)[1] == "T1"


def test_label_that_spans_the_change_leaves_the_layer_out_and_says_why() -> None:
    lines = [
        "G90",
        "M83",
        ";LAYER:0",
        "M486 S0",
        *LAYER,
        ";LAYER:1",
        "G1 Z.4",
        "G1 X40 E1",
        "M486 S-1",
    ]
    found = placed(*lines)
    assert isinstance(found, NoStop)
    assert (found.layer_index, found.reason) == (0, "object label")


def test_end_code_stays_whole_after_the_finished_part() -> None:
    lines = [*START, *LAYER, RETRACT, "; done", "M107", "G1 Z10 F600", "M104 S0", "M84"]
    found, text = placed(*lines)
    assert text == "M107" and found.finished


def test_finished_part_without_end_code_is_taken_at_the_end() -> None:
    found, text = placed(*START, *LAYER, RETRACT)
    assert (text, found.finished) == ("(end)", True)
    found, text = placed(*START, *LAYER)
    assert (text, found.finished) == ("(end)", True)


def test_finished_part_after_harmless_lines() -> None:
    found, text = placed(*START, *LAYER, "G92 E0", "M73 P100", RETRACT, "G1 Z5 F600", "M140 S0")
    assert text == "M140 S0" and found.finished


def test_finished_part_on_a_sinking_bed_is_taken_before_it_is_lowered() -> None:
    end = ["G92 E0", RETRACT, "G1 Z5 F600", "G1 X0 Y200", "M140 S0"]
    assert placed(*START, *LAYER, *end, bed_sinks=True)[1] == "G1 Z5 F600"
    # Not drawn back yet: coming back to the part and pushing would leave a blob on it.
    bare = ["G92 E0", "G1 Z5 F600", "M140 S0"]
    assert placed(*START, *LAYER, *bare, bed_sinks=True)[1] == "M140 S0"
    # Between layers high stays better.
    lines = change(RETRACT, ";LAYER:1", "G1 Z1 F600", "G1 X30 Y30 F9000", "G1 Z.4 F600", UNRETRACT)
    assert placed(*lines, bed_sinks=True)[1] == "G1 Z.4 F600"


def test_gap_reaches_from_the_last_plastic_to_the_next() -> None:
    lines = change(";LAYER:1", "G1 Z.4 F600")
    table, _, job = layers_of(*lines)
    gap = find_gap(job, table, 0, source_of(*lines))
    assert lines[gap.low - 1] == "G1 X20 Y20 E1"
    assert lines[gap.high].startswith("G1 X40 Y30")
    assert job.table.line_index[gap.next_move] == gap.high


# -- where printing goes on --------------------------------------------------------------------


def with_features(*names: str) -> list[str]:
    """Two layers; the second has these features, each after a travel with a retraction."""
    lines = [*START, *LAYER, ";LAYER:1", "G1 Z.4 F600"]
    for k, name in enumerate(names):
        x = 30 + 10 * k
        lines += [RETRACT, f"G1 X{x} Y30 F9000", f";TYPE:{name}", UNRETRACT]
        lines += [f"G1 X{x + 5} Y30 E1 F1800", f"G1 X{x + 5} Y35 E1"]
    return [*lines, ";LAYER:2", "G1 Z.6 F600", "G1 X10 E1 F1800", "G1 X20 E1"]


def test_hidden_goes_on_in_infill_of_the_next_layer() -> None:
    lines = with_features("WALL-OUTER", "WALL-INNER", "FILL")
    found, text = placed(*lines, resume="hidden")
    assert lines[found.line_index - 1] == ";TYPE:FILL" and text == UNRETRACT
    assert found.layer_index == 0


def test_seam_goes_on_at_the_outer_wall() -> None:
    lines = with_features("FILL", "WALL-OUTER", "WALL-INNER")
    found, _ = placed(*lines, resume="seam")
    assert lines[found.line_index - 1] == ";TYPE:WALL-OUTER"


def test_wish_that_no_comment_meets_gives_no_gap() -> None:
    assert placed(*with_features("WALL-OUTER", "WALL-INNER"), resume="hidden") is None
    assert placed(*change(";LAYER:1", "G1 Z.4"), resume="hidden") is None
    assert placed(*with_features("FILL"), resume="as-is") is None


def test_wish_after_the_last_layer_is_nothing() -> None:
    assert placed(*with_features("FILL"), layer_index=2, resume="hidden") is None


def test_stops_of_a_whole_job_are_one_after_each_layer_and_rise() -> None:
    lines = [*START]
    for k in range(6):
        lines += [
            f";LAYER:{k + 1}",
            RETRACT,
            f"G1 Z{0.2 * k + 0.4:g} F600",
            "G1 X10 Y10 F9000",
            UNRETRACT,
        ]
        lines += ["G1 X20 Y10 E1 F1800", "G1 X20 Y20 E1"]
    table, _, job = layers_of(*lines)
    source = source_of(*lines)
    spans = find_spans(source, job)
    stops = [find_stop(job, find_gap(job, table, k, source), spans, 0.8) for k in range(len(table))]
    assert all(isinstance(stop, Stop) for stop in stops)
    at = [stop.line_index for stop in stops]
    assert at == sorted(at) and len(set(at)) == 6
    assert [stop.finished for stop in stops if isinstance(stop, Stop)] == [False] * 5 + [True]
