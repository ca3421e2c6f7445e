"""What is in the pages, read with the parser of another library; and that nothing gets out."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from itertools import pairwise, product
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from capturehook.draw.html import Html, document, section, tag, text
from capturehook.errors import PlanError
from capturehook.page import stills as stills_of
from capturehook.page.stills import MOST_BYTES, Still, chosen, picture_uri
from tests.page.pages import page_of, posed, small_page

EVIL = '<script>alert("x")</script>" onload="alert(1)\'><img src=x onerror=alert(2)>'
CSS = Path(stills_of.__file__).parents[1] / "draw" / "page.css"


class Reader(HTMLParser):
    """Elements with their attributes, in order, and the words outside style and script."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.words = ""
        self._raw = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))
        self._raw = tag if tag in ("style", "script") else ""

    def handle_endtag(self, tag: str) -> None:
        self._raw = ""

    def handle_data(self, data: str) -> None:
        if not self._raw:
            self.words += data

    def all(self, name: str) -> list[dict[str, str | None]]:
        return [attrs for tag, attrs in self.found if tag == name]


def test_page_has_landmarks_one_heading_and_named_sections() -> None:
    """HTML Living Standard: one main; WCAG 2.2, 1.3.1 and 2.4.6: headings that name sections."""
    reader = Reader(small_page()[0])
    for name in ("header", "main", "footer", "h1", "title"):
        assert len(reader.all(name)) == 1, name
    ids = {attrs["id"] for _, attrs in reader.found if "id" in attrs}
    sections = reader.all("section")
    assert {one["aria-labelledby"] for one in sections} <= ids
    assert {one["id"] for one in sections} >= {
        "warnings", "film", "drawings", "times", "checklist", "details", "cautions", "profile",
    }  # fmt: skip
    levels = [int(name[1]) for name, _ in reader.found if re.fullmatch("h[1-6]", name)]
    assert levels[0] == 1 and all(b - a <= 1 for a, b in pairwise(levels))


def test_page_tells_the_plan_in_its_own_numbers() -> None:
    words = Reader(small_page()[0]).words
    assert "light & house.gcode" in words
    assert "29 frames make 3.0 s of film" in words  # 29 / 30 + 2 s held
    assert "To do: Take a larger card, or smaller frames." in words
    assert "card-full" in words and "battery-short" in words
    assert "Layer 30, 15.0 mm" in words


def test_page_says_that_a_hand_fires() -> None:
    hand = {"by": "wait", "fired_by": "hand"}
    words = Reader(page_of(posed(layers=4, trigger=hand, camera={"hold_ms": 3000}), [])).words
    assert "You fire every frame: the first after" in words


@pytest.mark.parametrize("by", ["pose", "light"])
def test_resin_page_tells_what_fires_the_camera_and_what_takes_care(by: str) -> None:
    """Numbers by hand: 30 poses or frames; 4 bottom layers of 20 s, 56 of 2.5 s."""
    from capturehook.page.resin import resin_page
    from tests.page.pages import resin_scene

    reader = Reader(resin_page(resin_scene(by), []))
    assert {one["id"] for one in reader.all("section")} >= {
        "warnings", "film", "drawings", "times", "light", "checklist", "details", "cautions",
    }  # fmt: skip
    assert "layers 1 to 4: 20 s; 5 to 60: 2.5 s" in reader.words
    assert "Near-UV at 405 nm" in reader.words and "Liquid resin" in reader.words
    if by == "pose":
        assert "30 frames make 3.0 s of film" in reader.words
        assert "Switch that the plate closes at 119.7 mm" in reader.words
        assert "vat empty" in reader.words
    else:
        assert "Light sensor at the rim" in reader.words
        assert "the job stays as it is" in reader.words


def test_page_can_be_read_without_its_script() -> None:
    """Every picture stands in the page with its words; only the controls wait for the script."""
    page, count = small_page()
    reader = Reader(page.replace(re.search(r"<script>.*?</script>", page, re.S)[0], ""))
    pictures = [one for one in reader.all("img") if (one["src"] or "").startswith("data:image/")]
    assert len(pictures) == count + 1
    hidden = [attrs.get("id") for _, attrs in reader.found if "hidden" in attrs]
    assert hidden == ["controls"]


def test_policy_lets_nothing_be_fetched_and_names_what_stands_in_the_page() -> None:
    page = small_page()[0]
    reader = Reader(page)
    (policy,) = [one["content"] for one in reader.all("meta") if "http-equiv" in one]
    rules = dict(rule.strip().split(" ", 1) for rule in (policy or "").split(";"))
    assert rules["default-src"] == "'none'" and rules["img-src"] == rules["media-src"] == "data:"
    assert "unsafe" not in (policy or "")
    for _, attrs in reader.found:
        assert not any(key.startswith("on") or key == "style" for key in attrs)
        for key in ("src", "href"):
            assert (attrs.get(key) or "data:").startswith("data:")


def test_names_of_a_job_and_its_boxes_stay_words() -> None:
    box = {"name": EVIL[:80], "x_mm": [0, 10], "y_mm": [0, 20], "z_mm": [0, 5]}
    trigger = {"by": "message", "text": "</script><script>alert(3)</script>"}
    applied = posed(EVIL.replace("/", "|"), layers=4, machine={"keep_out": [box]}, trigger=trigger)
    reader = Reader(page_of(applied, []))
    assert len(reader.all("script")) == 1 and reader.all("img") == []
    assert all(not key.startswith("on") for _, attrs in reader.found for key in attrs)
    assert '<script>alert("x")' in reader.words and "</script><script>alert(3)" in reader.words


@pytest.mark.property
@given(st.text(max_size=60))
def test_any_text_comes_back_as_text(words: str) -> None:
    """What a parser reads back is what was put in, control letters as escapes."""
    page = document("t", words, words, words, [section("a", words, tag("p", words))], words)
    reader = Reader(page)
    assert len(reader.found) == len(
        Reader(document("t", "", "", "", [section("a", "", tag("p"))], "")).found
    )
    assert reader.all("section")[0]["id"] == "a"
    page.encode()  # lone surrogates, as file names hold, are written as escapes


def test_markup_is_kept_and_text_is_not() -> None:
    assert tag("p", Html("<b>x</b>"), "<i>") == "<p><b>x</b>&lt;i&gt;</p>"
    assert text('"') == "&quot;" and tag("a", href='"x') == '<a href="&quot;x"></a>'


def test_other_endings_are_refused(tmp_path: Path) -> None:
    from capturehook.draw.html import html_path

    with pytest.raises(PlanError, match=r"does not end in \.html"):
        html_path(tmp_path / "shoot.pdf")


# --- colours


def luminance(colour: str) -> float:
    """Relative luminance of #rrggbb. Source: WCAG 2.2, definition of relative luminance."""
    whole = colour if len(colour) == 7 else "#" + "".join(2 * one for one in colour[1:])
    parts = [int(whole[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def ratio(one: str, other: str) -> float:
    """Contrast ratio. Source: WCAG 2.2, definition of contrast ratio."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def themes() -> dict[str, dict[str, str]]:
    """Colours by name: light, dark and paper."""
    blocks = re.findall(r":root\{(.*?)\}", CSS.read_text(encoding="utf-8"), re.S)
    found = [dict(re.findall(r"--([a-z-]+):\s*(#[0-9a-f]{3,6})", block)) for block in blocks]
    names = ("light", "dark", "print")
    assert len(found) == 3
    return dict(zip(names, found, strict=True))


def test_ratio_is_that_of_the_worked_examples() -> None:
    """Black on white is 21:1; #767676 on white is the least grey that meets 4.5 (WCAG 2.2,
    understanding 1.4.3)."""
    assert ratio("#000000", "#ffffff") == pytest.approx(21)
    assert ratio("#767676", "#ffffff") >= 4.5 > ratio("#777777", "#ffffff")


@pytest.mark.parametrize("theme", ["light", "dark", "print"])
def test_words_stand_out_by_4_5_and_drawings_by_3(theme: str) -> None:
    """WCAG 2.2, 1.4.3 (text) and 1.4.11 (graphics and controls)."""
    colours = themes()["light"] | themes()[theme]
    for ink, paper in (
        *product(("ink", "muted", "blue"), ("paper", "card")),
        ("warn-ink", "warn"),
        ("good-ink", "good"),
    ):
        assert ratio(colours[ink], colours[paper]) >= 4.5, (theme, ink, paper)
    for line, paper in product(("ink", "muted", "blue", "line", "now"), ("paper", "card")):
        assert ratio(colours[line], colours[paper]) >= 3.0, (theme, line, paper)


# --- pictures


def test_stills_are_spread_over_the_film_with_its_ends() -> None:
    assert chosen(3) == [0, 1, 2]
    many = chosen(1000)
    assert many[0] == 0 and many[-1] == 999 and len(many) == stills_of.MOST_STILLS
    assert np.ptp(np.diff(many)) <= 1


def test_pictures_stay_within_their_bytes_and_without_pillow_are_png(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    import base64
    import io

    from PIL import Image

    noise = np.random.default_rng(3).integers(0, 256, (360, 640, 3), np.uint8)
    most = MOST_BYTES // stills_of.MOST_STILLS
    smooth = np.full((360, 640, 3), (10, 120, 240), np.uint8)
    assert len(picture_uri(smooth, most)) < 4 / 3 * most
    assert len(picture_uri(noise, most)) < len(picture_uri(noise, 10 * most))
    monkeypatch.setattr(stills_of, "has_webp", lambda: False)
    kind, data = picture_uri(smooth, most).split(";base64,")
    assert kind == "data:image/png"
    back = np.asarray(Image.open(io.BytesIO(base64.b64decode(data))).convert("RGB"))
    assert np.abs(back.astype(int) - smooth).max() <= 26  # half a step of six levels


def test_page_with_the_most_pictures_stays_under_three_megabytes() -> None:
    each = "data:image/webp;base64," + "A" * (4 * MOST_BYTES // 3 // stills_of.MOST_STILLS)
    applied = posed(layers=70)
    assert len(chosen(len(applied.poses))) == stills_of.MOST_STILLS
    page = page_of(applied, [Still(k, each) for k in chosen(len(applied.poses))])
    assert len(page.encode()) <= 3_000_000


# --- after the print


def test_report_shows_each_frame_its_verdict_and_the_film(tmp_path: Path) -> None:
    from capturehook.page.after import MOST_FILM_BYTES, save_audit_page
    from tests.page.pages import audited

    card, page = tmp_path / "card", tmp_path / "report.html"
    card.mkdir()
    small, large = tmp_path / "small.mp4", tmp_path / "a film <i>.mp4"
    small.write_bytes(b"0" * 3000)
    large.write_bytes(b"0" * (MOST_FILM_BYTES + 1))
    with audited(card) as (audit, thumbs):
        save_audit_page(audit, thumbs, page, small)
        report = Reader(page.read_text())
        save_audit_page(audit, thumbs, page, large)
        linked = Reader(page.read_text())
    assert len(report.all("img")) == 15 and len(report.all("video")) == 1
    kinds = [one.get("class") for one in report.all("li") if one.get("class")]
    assert kinds.count("good") == 13 and kinds.count("odd") == 3  # the missing one, too
    for said in ("blurred", "not parked", "missing", "Fit for the film"):
        assert said in report.words
    assert linked.all("video") == []
    assert linked.all("a")[0]["href"] == "a%20film%20%3Ci%3E.mp4"
