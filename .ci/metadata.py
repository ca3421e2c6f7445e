"""Build-time metadata: the README as the package index shows it.

Its links are relative. With CAPTUREHOOK_URL set (where the files of this version can be read, as
`https://HOST/OWNER/capturehook/blob/v0.2.0`) they become absolute and the project gets its URLs;
without it nothing is made up: links stay as they are, and work in the sdist.
"""

from __future__ import annotations

import os
import re
from pathlib import Path

from hatchling.metadata.plugin.interface import MetadataHookInterface

LINK = re.compile(r"(\]\()(?!https?:|mailto:|#)([^)]+\))")


class Readme(MetadataHookInterface):
    """Sets `readme` and `urls`."""

    def update(self, metadata: dict) -> None:
        text = (Path(self.root) / "README.md").read_text(encoding="utf-8")
        base = os.environ.get("CAPTUREHOOK_URL", "").rstrip("/")
        if base:
            text = LINK.sub(rf"\g<1>{base}/\g<2>", text)
            pages = {"Documentation": "docs/index.md", "Changelog": "docs/changelog.md"}
            metadata["urls"] = {name: f"{base}/{page}" for name, page in pages.items()}
        metadata["readme"] = {"content-type": "text/markdown", "text": text}
