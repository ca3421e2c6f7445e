"""The pictures of a film one after another, drawn as its recipe says."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from capturehook.audit.judge import Audit
from capturehook.film.bridge import in_between
from capturehook.film.choose import Chosen
from capturehook.film.encode import LARGE_PX
from capturehook.film.framing import TITLE_SAFE
from capturehook.film.recipe import Recipe
from capturehook.film.render import DEEP, Rgb, draw_words, fade, mix, render_frame, write_text
from capturehook.film.shelf import Shelf
from capturehook.film.wishes import TEXTS
from capturehook.frames.reference import WORKERS, in_order


def film_pictures(
    recipe: Recipe,
    progress: Callable[[int], None] | None = None,
    shelf: Shelf | None = None,
) -> Iterator[Rgb]:
    """Every film frame in order; ``progress`` is called with the count of pictures drawn.

    Pictures are drawn a few ahead in threads; large ones one ahead: of 3840 px that saves
    100 MB and costs a seventh more time on two cores.

    Raises
    ------
    FrameError
        A picture cannot be read.
    """
    at = 0
    for _ in range(recipe.card_frames):
        yield _card(recipe)
        at += 1
    large = recipe.framing.width_px * recipe.framing.height_px > LARGE_PX
    workers = 1 if large else WORKERS
    drawn = in_order(lambda one: _picture(recipe, one, shelf), recipe.chosen, workers)
    for index, (one, rgb) in enumerate(zip(recipe.chosen, drawn, strict=True)):
        for _ in range(one.shown):
            yield fade(rgb, _fade_share(recipe, at))
            at += 1
        if progress is not None:
            progress(index + 1)


def _card(recipe: Recipe) -> Rgb:
    """The title, white on near black, within the title-safe area."""
    size = (recipe.framing.height_px, recipe.framing.width_px, 3)
    white = DEEP if recipe.deep else 255
    ground = np.full(size, round(0.08 * white), np.uint16 if recipe.deep else np.uint8)
    high = max(11, round(min(size[0], size[1]) / 9))
    room = (1 - 2 * TITLE_SAFE) * size[1]
    return draw_words(ground, recipe.title, (size[1] / 2, size[0] / 2), high, room, "mm")


def _fade_share(recipe: Recipe, film_frame: int) -> float:
    """0 until the fade begins, 1 on the last frame."""
    fading = round(recipe.wishes.fade_s * recipe.fps)
    if fading < 1:
        return 0.0
    left = recipe.film_frames - 1 - film_frame
    return max(0.0, 1 - left / fading)


def _picture(recipe: Recipe, one: Chosen, shelf: Shelf | None) -> Rgb:
    rgb = _rendered(recipe, one.frame_index, shelf)
    if one.other_index is not None:
        other = _rendered(recipe, one.other_index, shelf)
        rgb = (in_between if one.kind == "moved" else mix)(rgb, other, one.share)
    if recipe.grade is not None:
        rgb = recipe.grade.apply(rgb)
    if recipe.wishes.text and one.pose_index is not None and one.kind != "loop":
        rgb = write_text(rgb, progress_text(recipe.audit, one.pose_index, recipe.wishes.text))
    return rgb


def _rendered(recipe: Recipe, frame_index: int, shelf: Shelf | None) -> Rgb:
    frames = recipe.audit.frames
    frame = frames.frames[frame_index]
    how = (
        frames.size_px,
        recipe.framing,
        recipe.corrections[frame_index],
        recipe.audit.measures.pivot_px,
    )
    lens = recipe.wishes.lens_percent / 100

    def draw() -> Rgb:
        return render_frame(frame, *how, deep=recipe.deep, lens=lens)

    if shelf is None:
        return draw()
    return shelf.drawn(frame.path, (frame.orientation, recipe.deep, lens, *how), draw)


def progress_text(audit: Audit, pose_index: int, wishes: tuple[str, ...]) -> str:
    """Such as "layer 12 of 40   2.4 mm   0:31 h"; the time is the planned one."""
    plan = audit.plan
    assert plan is not None
    pose = plan.poses[pose_index]
    minutes = int(pose.t_s // 60)
    words = {
        "layer": f"layer {pose.layer} of {max(one.layer for one in plan.poses)}",
        "height": f"{pose.z_mm:.1f} mm",
        "time": f"{minutes // 60}:{minutes % 60:02d} h",
    }
    return "   ".join(words[wish] for wish in TEXTS if wish in wishes)
