"""Writes the table of docs/reference/faults.md anew: `python tests/files/fault_table.py`.

Each message is what `capturehook apply JOB` really says when that operation fails.
"""

from __future__ import annotations

import io
import os
import re
import sys
import tempfile
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.adapters.host_calls import JOB
from tests.files.cli_faults import COMMANDS, FAULTS, Fault, lay_out, run_command, trapped

PAGE = Path(__file__).parents[2] / "docs" / "reference" / "faults.md"
BEGIN, END = "<!-- fault table: begin -->\n", "<!-- fault table: end -->\n"


def told(fault: Fault) -> tuple[int, str]:
    """Exit code and message of `apply JOB`."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "work"
        lay_out(folder, {"job.gcode": JOB})
        out = io.StringIO()
        with redirect_stderr(out), redirect_stdout(out), trapped(folder, fault):
            code = run_command(COMMANDS[0], COMMANDS[0].words(folder))
        return code, " ".join(out.getvalue().replace(f"{folder}/", "").split())


def table() -> str:
    """One row for each message; REASON stands for the system's own word for the error."""
    rows: dict[tuple[int, str], dict[str, None]] = {}
    for fault in FAULTS:
        code, message = told(fault)
        message = re.sub(r"^Error: ", "", message).replace("|", "\\|")
        message = message.replace(os.strerror(fault.code), "REASON")
        rows.setdefault((code, message), {})[fault.operation] = None
    lines = ["| message | exit code | when |", "|---|---|---|"]
    for (code, message), found in rows.items():
        lines.append(f"| {message} | {code} | {', '.join(found)} |")
    return "\n".join([*lines, ""])


def page_with(text: str, new: str) -> str:
    before, _, rest = text.partition(BEGIN)
    return f"{before}{BEGIN}{new}{END}{rest.partition(END)[2]}"


if __name__ == "__main__":
    PAGE.write_text(page_with(PAGE.read_text(), table()))
