"""Sharpness, exposure and the small robust statistics."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from scipy.stats import theilslopes

from capturehook.film.choose import Correction
from capturehook.film.framing import Framing
from capturehook.film.render import apply_gain, fade, mix, render_frame
from capturehook.frames.focus import Focus, laplacian, sharpness, sharpness_ratio
from capturehook.frames.light import even_gains, exposure_ev, flicker_ev
from capturehook.frames.listing import read_frame
from capturehook.frames.robust import find_steps, running_median, spread, theil_sen
from capturehook.physics.colour import srgb_to_linear


def test_laplacian_of_a_lone_one_has_the_variance_worked_by_hand():
    # 3 x 3 output: -4 in the middle, four ones, four zeros: mean 0, variance 20/9.
    grey = np.zeros((5, 5))
    grey[2, 2] = 1
    bend = laplacian(grey)
    assert bend.shape == (3, 3)
    assert (bend.mean(), bend.var()) == pytest.approx((0, 20 / 9))


def test_laplacian_of_a_slope_is_nothing():
    y, x = np.mgrid[0:9, 0:9]
    assert laplacian(3.0 * x + 2.0 * y) == pytest.approx(np.zeros((7, 7)))


def test_sharpness_does_not_depend_on_exposure():
    grey = np.random.default_rng(1).uniform(0.2, 1, (40, 40))
    assert sharpness(grey * 0.25) == pytest.approx(sharpness(grey))
    assert sharpness(np.zeros((8, 8))) == 0.0


def test_sharpness_ratio_shows_the_one_that_differs():
    scores = np.full(20, 8.0)
    scores[6] = 2.0
    ratio = sharpness_ratio(scores)
    assert ratio[6] == pytest.approx(0.25)
    assert np.delete(ratio, 6) == pytest.approx(np.ones(19))


def grey(light):
    return np.repeat(light[:, None], 3, axis=1)


@pytest.mark.parametrize("kind", ["alternating", "random", "lone"])
def test_even_gains_cut_flicker_to_a_fifth_but_keep_a_sunset(kind):
    rng = np.random.default_rng(4)
    count = 60
    wobble = {
        "alternating": 0.3 * (-1.0) ** np.arange(count),
        "random": rng.uniform(-0.3, 0.3, count),
        "lone": np.where(np.arange(count) == 30, 0.3, 0.0),
    }[kind]
    sunset = np.linspace(0, -2, count)
    light = 2.0 ** (sunset + wobble)
    left = np.log2(light * even_gains(grey(light))[:, 1]) - sunset
    left -= left.mean()
    assert np.abs(np.diff(left)).max() < np.abs(np.diff(wobble)).max() / 5
    if kind != "random":  # a random walk has a slow part of its own, which is kept
        assert left.std() < wobble.std() / 5


def test_even_gains_have_a_limit_and_skip_the_unknown():
    light = np.ones(30)
    light[10], light[20] = 2.0**-6, np.nan
    gains = even_gains(grey(light))
    assert gains[10] == pytest.approx(np.full(3, 2.0))
    assert (gains[20] == 1.0).all()


def test_even_gains_of_all_bring_a_sunset_to_one_level_and_each_colour_by_itself():
    """By hand: gain = level of the middle frame over the frame's, for each channel."""
    red, green, blue = (2.0 ** np.linspace(0, end, 41) for end in (-1.0, -1.5, -0.5))
    gains = even_gains(np.stack([red, green, blue], axis=1), "all")
    assert red * gains[:, 0] == pytest.approx(np.full(41, red[20]))
    assert green * gains[:, 1] == pytest.approx(np.full(41, green[20]))
    kept = even_gains(np.stack([red, green, blue], axis=1), "lamps")
    assert kept == pytest.approx(np.ones((41, 3)), abs=1e-9)


def test_one_black_frame_does_not_pull_its_neighbours():
    light = np.ones(30)
    light[10] = 2.0**-5
    stray = flicker_ev(exposure_ev(light))
    assert np.abs(np.delete(stray, 10)).max() < 0.06


def test_apply_gain_of_one_stop_doubles_linear_light():
    codes = np.full((4, 4, 3), 90, np.uint8)
    lit = apply_gain(codes, (2.0, 1.0, 0.5))
    # IEC 61966-2-1 decoding on both sides; half a code of rounding allowed.
    wanted = srgb_to_linear(codes / 255) * (2.0, 1.0, 0.5)
    assert srgb_to_linear(lit / 255) == pytest.approx(wanted, rel=0.02)
    deep = apply_gain(codes.astype(np.uint16) * 257, (2.0, 1.0, 0.5))
    assert srgb_to_linear(deep / 65535) == pytest.approx(wanted, rel=1e-4)


def test_mix_is_done_in_linear_light():
    black, white = np.zeros((2, 2, 3), np.uint8), np.full((2, 2, 3), 255, np.uint8)
    # IEC 61966-2-1: half the light is coded 0.735357, that is 188 of 255.
    assert (mix(black, white, 0.5) == 188).all()
    assert (mix(black, white, 0.0) == 0).all() and (mix(black, white, 1.0) == 255).all()


@pytest.mark.property
@settings(max_examples=30)
@given(st.integers(0, 255), st.floats(0, 1))
def test_mix_of_a_picture_with_itself_and_fade_keep_their_ends(code, share):
    grey = np.full((2, 2, 3), code, np.uint8)
    assert (mix(grey, grey, share) == code).all()
    assert (fade(grey, 0.0) == code).all() and (fade(grey, 1.0) == 0).all()


def test_running_median_passes_over_the_unknown_and_the_lone():
    values = np.array([1, 1, 9, 1, np.nan, 1, 1.0])
    assert running_median(values, 5) == pytest.approx(np.ones(7))


def test_spread_of_normal_noise_is_its_standard_deviation():
    noise = np.random.default_rng(0).normal(0, 2.5, 20_000)
    assert spread(noise) == pytest.approx(2.5, rel=0.03)


def test_theil_sen_agrees_with_scipy_and_ignores_outliers():
    rng = np.random.default_rng(0)
    x = np.sort(rng.uniform(0, 1000, 60))
    y = 1.02 * x + 5 + rng.normal(0, 0.2, 60)
    y[::9] += 300
    assert theil_sen(x, y)[0] == pytest.approx(theilslopes(y, x).slope, abs=2e-3)
    assert theil_sen(x, y)[0] == pytest.approx(1.02, abs=2e-3)


def test_find_steps_tells_a_step_from_an_outlier():
    level = np.where(np.arange(40) < 17, 0.0, 4.0)
    lone = np.where(np.arange(40) == 17, 4.0, 0.0)
    assert find_steps(level, 1.0) == [17]
    assert find_steps(lone, 1.0) == []
    assert find_steps(np.linspace(0, 10, 40), 1.0) == []


@pytest.mark.parametrize("sigma_px", [0.3, 0.4, 0.6, 1.0])
def test_blur_is_told_in_the_pixels_that_it_has(sigma_px):
    """Blurred eight times finer than the picture, so that no kernel of whole pixels is involved;
    a blur of a third of a pixel was once told as of half of one, and sharp frames as blurred."""
    cv = pytest.importorskip("cv2")
    fine = np.random.default_rng(3).normal(0, 1, (960, 1280)).astype(np.float32)
    fine = cv.GaussianBlur(fine, (0, 0), 6.0)

    def picture(sigma):
        blurred = cv.GaussianBlur(fine, (0, 0), 8 * sigma) if sigma else fine
        small = cv.resize(blurred, (160, 120), interpolation=cv.INTER_AREA)
        return np.clip(128 + 40 * small / fine.std(), 0, 255).astype(np.uint8)

    focus = Focus(picture(0), np.ones((120, 160), bool))
    assert focus.of(picture(sigma_px))[1] == pytest.approx(sigma_px, rel=0.15)


@pytest.mark.parametrize(("wide", "ending"), [(1500, "jpg"), (750, "png")])
def test_gratings_keep_the_contrast_that_a_mean_over_each_pixel_leaves(wide, ending, tmp_path):
    """sin(pi f) / (pi f) of it at f cycles a pixel of the film (textbook: the transfer function
    of a square aperture); what is finer than the film can show hardly comes through."""
    film = Framing(left=0, top=0, width=wide, height=wide // 5, width_px=480, height_px=96)
    hand = Correction(dx_px=1.3, dy_px=-0.7, turn_deg=0.03, zoom=1.0003)

    def contrast(cycles: float, degrees: float) -> float:
        row, column = np.mgrid[: wide // 5, :wide] * (2 * np.pi * cycles * 480 / wide)
        angle = np.radians(degrees)
        codes = np.rint(128 + 60 * np.cos(np.cos(angle) * column + np.sin(angle) * row))
        path = tmp_path / f"{cycles}-{degrees}.{ending}"
        Image.fromarray(codes.astype(np.uint8)).convert("RGB").save(path, quality=95)
        size = (wide, wide // 5)
        drawn = render_frame(read_frame(path), size, film, hand, (wide / 2, wide / 10))
        return float(drawn[10:-10, 10:-10, 1].std()) * np.sqrt(2) / 60

    for cycles in (0.2, 0.3, 0.4):
        found = np.mean([contrast(cycles, degrees) for degrees in (0, 30, 90)])
        assert found == pytest.approx(np.sinc(cycles), rel=0.1)
    assert contrast(0.8, 0) < 0.3
