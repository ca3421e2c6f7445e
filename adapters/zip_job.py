"""A job inside a zip container; its path is the last word.

For example: zip_job.py -p heron JOB. Only the inner job and its checksum change.
"""

import sys
from pathlib import Path

if sys.version_info < (3, 10):  # noqa: UP036 - a host may call another Python
    sys.exit("capturehook needs Python 3.10 or newer; this is " + sys.version.split()[0] + ".")
sys.path.append(str(Path(__file__).resolve().parents[1]))  # a checkout that is not installed
try:
    from capturehook.hosts.zip_job import main
except ImportError as fault:
    sys.exit(
        f"capturehook cannot be loaded by {sys.executable} ({fault}). "
        "Install it there, or call this script with the Python that has it."
    )

if __name__ == "__main__":
    sys.exit(main())
