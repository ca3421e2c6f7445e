"""What all tests share: no test writes into the folders of the person who runs it."""

from __future__ import annotations

import os
import tempfile

FOLDER = tempfile.TemporaryDirectory()
os.environ["XDG_DATA_HOME"] = FOLDER.name
