"""Optional packages, and the very command that adds them to the Python that runs us.

Which command depends on how capturehook was installed: with pipx (its venvs hold
`pipx_metadata.json`), as a tool of uv (`uv-receipt.toml`), into a venv made by uv (`uv =` in
`pyvenv.cfg`, PEP 405), with pip, or beside a system's Python that pip must not touch (PEP 668).
"""

from __future__ import annotations

import re
import sys
import sysconfig
from importlib.util import find_spec
from pathlib import Path

EXTRAS = {
    "video": ("av", "opencv-python-headless", "pillow", "simplejpeg"),
    "rig": ("manifold3d",),
    "raw": ("rawpy",),
    "heic": ("pillow-heif",),
}
"""Extra of `pyproject.toml` -> its packages; a test holds them equal."""


def install_command(extra: str) -> str:
    """The command for a shell; the same quoting works in those of Windows."""
    names = " ".join(EXTRAS[extra])
    prefix = Path(sys.prefix)
    if (prefix / "pipx_metadata.json").is_file():
        return f"pipx inject capturehook {names}"
    python = f'"{sys.executable}"' if re.search(r"[^\w/.:\\+-]", sys.executable) else sys.executable
    if _is_of_uv(prefix):
        return f"uv pip install --python {python} {names}"
    if sys.prefix == sys.base_prefix and _is_the_systems():
        return f'pipx install "capturehook[{extra}]"'
    if find_spec("pip") is None:
        return f"pip --python {python} install {names}"
    return f"{python} -m pip install {names}"


def _is_of_uv(prefix: Path) -> bool:
    if (prefix / "uv-receipt.toml").is_file():
        return True
    try:
        text = (prefix / "pyvenv.cfg").read_text(encoding="utf-8")
    except (OSError, ValueError):
        return False
    return re.search(r"^uv *=", text, re.M) is not None and find_spec("pip") is None


def _is_the_systems() -> bool:
    """The system's package manager rules here, and pip refuses."""
    return (Path(sysconfig.get_path("stdlib")) / "EXTERNALLY-MANAGED").is_file()
