"""A page in one file: text that cannot become markup, and a policy that lets it fetch nothing.

Whatever is no :class:`Html` is escaped when it is put into a tag, so a job's or a profile's own
words stay words. Style and script stand in `page.css` and `page.js`; the page's policy names
them by their digests, so that no other style or script would run.

Source: HTML Living Standard (void elements, attributes); CSP Level 3, section 2.3.1 (hashes).
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable
from html import escape
from importlib.resources import files
from pathlib import Path

from capturehook.errors import PlanError, Where, escaped
from capturehook.files import write_atomically

VOID = {"img", "input", "meta", "link", "br"}
LONGEST = 100_000
"""Letters of one text; a damaged name can be as long as its file."""


class Html(str):
    """Markup that is put into a page as it is."""

    __slots__ = ()


Inside = str | Iterable["Inside"] | None
"""What a tag may hold: markup, plain text (escaped), several of them, or nothing."""


def html_path(path: Path) -> Path:
    """The path of a page, refused where its ending promises something else."""
    if path.suffix.lower() not in (".html", ".htm"):
        raise PlanError(Where(str(path)), "does not end in .html", "Name it shoot.html")
    return path


def save_page(path: Path, page: str) -> None:
    """Write a page, whole or not at all.

    Raises
    ------
    PlanError
        The path does not end in .html or .htm.
    FileError
        It cannot be written.
    """
    write_atomically(html_path(path), page.encode())


def text(value: object) -> Html:
    """Plain text as markup; what no page shows (control letters) as `\\x1b`."""
    return Html(escape(escaped(str(value)[:LONGEST], kept="\n")))


def inside(what: Inside) -> Html:
    """Markup as it is, text escaped, several one after the other."""
    if what is None:
        return Html("")
    if isinstance(what, Html):
        return what
    if isinstance(what, str):
        return text(what)
    return Html("".join(inside(one) for one in what))


def tag(name: str, /, *content: Inside, **attributes: str | bool | None) -> Html:
    """An element. `class_` is the attribute class, `data_at` is data-at; True stands alone."""
    words = [name]
    for key, value in attributes.items():
        if value is None or value is False:
            continue
        key = key.rstrip("_").replace("_", "-")
        words.append(key if value is True else f'{key}="{text(value)}"')
    start = f"<{' '.join(words)}>"
    return Html(start if name in VOID else f"{start}{inside(content)}</{name}>")


def section(name: str, title: str, *content: Inside, class_: str | None = None) -> Html:
    """A part of the page, named by its heading."""
    heading = tag("h2", title, id=f"{name}-h")
    return tag("section", heading, content, id=name, aria_labelledby=f"{name}-h", class_=class_)


def facts(rows: Iterable[tuple[str, Inside]], class_: str = "facts") -> Html:
    """Names and what they are."""
    return tag("dl", [tag("div", tag("dt", n), tag("dd", v)) for n, v in rows], class_=class_)


def table(
    caption: str,
    columns: Iterable[str],
    rows: Iterable[Iterable[Inside]],
    class_: str | None = None,
) -> Html:
    """A table whose first column names its rows; of the class `words` where no numbers are."""
    head = tag("tr", [tag("th", name, scope="col") for name in columns])
    body = []
    for first, *rest in rows:
        body.append(tag("tr", tag("th", first, scope="row"), [tag("td", one) for one in rest]))
    inner = tag(
        "table", tag("caption", caption), tag("thead", head), tag("tbody", body), class_=class_
    )
    return tag("div", inner, class_="wide", tabindex="0", role="group", aria_label=caption)


def data_uri(kind: str, data: bytes) -> str:
    return f"data:{kind};base64,{base64.b64encode(data).decode('ascii')}"


def document(
    title: str, heading: str, kicker: str, lede: Inside, parts: Iterable[Html], foot: Inside
) -> str:
    """The whole page: parts are sections made by :func:`section`."""
    css, js = (_own(name) for name in ("page.css", "page.js"))
    policy = (
        "default-src 'none'; img-src data:; media-src data:; "
        f"style-src '{_digest(css)}'; script-src '{_digest(js)}'; "
        "base-uri 'none'; form-action 'none'"
    )
    head = (
        tag("meta", charset="utf-8"),
        tag("meta", http_equiv="Content-Security-Policy", content=policy),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("meta", name="color-scheme", content="light dark"),
        tag("meta", name="referrer", content="no-referrer"),
        tag("title", title),
        tag("link", rel="icon", href="data:,"),
        Html(f"<style>{css}</style>"),
    )
    body = (
        tag("header", tag("p", kicker, class_="kicker"), tag("h1", heading),
            tag("p", lede, class_="lede")),
        tag("main", list(parts)),
        tag("footer", tag("p", foot)),
        Html(f"<script>{js}</script>"),
    )  # fmt: skip
    return f"<!DOCTYPE html>\n{tag('html', tag('head', head), tag('body', body), lang='en')}\n"


def _own(name: str) -> str:
    return files("capturehook.draw").joinpath(name).read_text(encoding="utf-8")


def _digest(source: str) -> str:
    return f"sha256-{base64.b64encode(hashlib.sha256(source.encode()).digest()).decode('ascii')}"
