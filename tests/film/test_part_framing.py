"""Where the part grows and what the crop does about it, on an independent scene."""

import numpy as np
import pytest

from capturehook.audit.judge import audit_frames
from capturehook.film.framing import ACTION_SAFE, TITLE_SAFE, frame_film
from capturehook.film.part import part_box
from capturehook.film.recipe import plan_film
from capturehook.film.wishes import FilmWishes
from capturehook.frames.listing import load_frames
from tests.film.scene import Scene

# Of Scene.master: the part stands on the bed at 0.86 of the height, ends at 0.40, and is
# 0.38 to 0.58 of the width at its foot.
TRUE = np.array([0.38, 0.40, 0.58, 0.86])


@pytest.fixture(scope="module", params=["workshop", "table"])
def audit(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp("part")
    Scene(photo=request.param, size_px=(600, 400), frames=24).shake(0.5).light().write(folder)
    return audit_frames(load_frames([folder]))


def test_part_is_found_beside_a_gantry_that_rises(audit):
    box = np.array(part_box(audit.measures, list(range(24)))) / (600, 400, 600, 400)
    assert np.abs(box - TRUE).max() < 0.05


@pytest.mark.parametrize("crop", ["keep", "16:9", "1:1", "9:16"])
@pytest.mark.parametrize("on", ["still", "part"])
def test_part_keeps_whole_within_the_action_safe_area(audit, crop, on):
    wishes = FilmWishes(crop=crop, frame=on)
    recipe = plan_film(audit, wishes)
    one = recipe.framing
    left, top, right, bottom = TRUE * (600, 400, 600, 400)
    rim_x, rim_y = ACTION_SAFE * one.width, ACTION_SAFE * one.height
    slack = 0.03 * one.width
    assert one.left + rim_x <= left + slack and right - slack <= one.left + one.width - rim_x
    assert one.top + rim_y <= top + slack and bottom - slack <= one.top + one.height - rim_y
    share = (bottom - top) / one.height
    if on == "part" and crop in ("16:9", "keep"):
        assert 0.5 <= share <= 0.7
    assert one.width_px <= 1.02 * one.width and one.width_px % 2 == 0


# EBU R 95 and SMPTE ST 2046-1: 93 % of width and height for action, 90 % for titles.
def test_safe_areas_are_those_of_the_recommendations():
    assert pytest.approx((0.93, 0.90)) == (1 - 2 * ACTION_SAFE, 1 - 2 * TITLE_SAFE)


def test_part_that_no_crop_holds_is_told():
    _, findings = frame_film((4000, 3000), [], "9:16", part_px=(100.0, 100.0, 3900.0, 2900.0))
    assert [one.code for one in findings] == ["part-cut"]
    _, findings = frame_film((4000, 3000), [], "16:9", on="part")
    assert [one.code for one in findings] == ["no-part"]
