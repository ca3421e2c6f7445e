"""Packed plates (a job inside a zip container); the path is the last word.

For example: zip_job.py -p heron JOB. Only the texts inside and their checksums change.
"""

import sys
from pathlib import Path

if sys.version_info < (3, 10):  # noqa: UP036 - a host may call another Python
    sys.exit("capturehook needs Python 3.10 or newer; this is " + sys.version.split()[0] + ".")
sys.path.append(str(Path(__file__).resolve().parents[1]))  # a checkout that is not installed
try:
    from capturehook.hosts.edit import main
except ImportError as fault:
    sys.exit(
        f"capturehook cannot be loaded by {sys.executable} ({fault}). "
        "Install it there, or call this script with the Python that has it."
    )

if __name__ == "__main__":
    sys.exit(main())
