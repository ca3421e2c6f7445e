"""Every name at the library's door can be called, whatever has been imported before."""

from __future__ import annotations

import subprocess
import sys

import pytest

DOORS = ["apply", "inspect", "plan", "strip", "audit", "assemble", "load_profile"]
STAGES = "import capturehook.report.cost, capturehook.api, capturehook.audit.judge\n"


@pytest.mark.parametrize("before", ["", STAGES])
def test_doors_can_be_called(before: str) -> None:
    program = (
        f"{before}import capturehook\n"
        "from capturehook.api import plan\n"
        f"for name in {DOORS}: assert callable(getattr(capturehook, name)), name\n"
        "import capturehook.model.plan as record\n"
        "assert callable(capturehook.plan) and record.SCHEMA == 1\n"
        "assert capturehook.model.plan is record\n"
        "try: capturehook.plan(b'', capturehook.load_profile('heron'))\n"
        "except capturehook.CaptureHookError as fault: assert 'is empty' in str(fault)\n"
        "else: raise AssertionError('not refused')\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 0, done.stderr
