"""Makes the pictures of the pages anew: python docs/pictures/make.py

Runs the pages as they stand in a scrap folder, as the tests do, and keeps what their commands
wrote; overview.py draws the first one, trials.py that of the trials.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

from PIL import Image

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
sys.path.insert(0, str(ROOT))

sys.path.insert(0, str(HERE))

import overview  # noqa: E402
import trials  # noqa: E402

from tests.docs.examples import prepare, run_page  # noqa: E402

PAGES = {
    "tutorial/filament.md": "",
    "tutorial/resin.md": "resin_",
    "howto/phone.md": "",
    "howto/resin_light_off.md": "",
    "howto/brackets.md": "bracket_",
}
SHEET_PX = (1036, 540)
"""Of the contact sheet only this corner is kept: five columns, three rows."""
COLOURS = 192


def keep_picture(path: Path, to: Path) -> None:
    """A PNG with fewer colours, so that the repository stays small; of a sheet, the corner."""
    picture = Image.open(path).convert("RGB")
    if "sheet" in path.name:
        picture = picture.crop((0, 0, *SHEET_PX))
    few = picture.quantize(COLOURS, method=Image.Quantize.FASTOCTREE)  # keeps the marks' colours
    few.save(to, optimize=True)


def keep(folder: Path, page: Path, prefix: str) -> None:
    """The pictures a page links to, and no others."""
    text = page.read_text(encoding="utf-8")
    made = sorted(path for path in folder.iterdir() if path.suffix in (".svg", ".png"))
    for path in made:
        for name in dict.fromkeys((path.name, prefix + path.name)):
            if f"pictures/{name})" not in text:
                continue
            if path.suffix == ".svg":
                shutil.copyfile(path, HERE / name)
            else:
                keep_picture(path, HERE / name)
            print(f"{name}: {(HERE / name).stat().st_size:,} bytes")


def main() -> None:
    overview.main()
    trials.main()
    for name, prefix in PAGES.items():
        page = ROOT / "docs" / name
        with tempfile.TemporaryDirectory() as made:
            prepare(Path(made))
            for text in run_page(page, Path(made)):
                print(text, file=sys.stderr)
            keep(Path(made), page, prefix)


if __name__ == "__main__":
    main()
