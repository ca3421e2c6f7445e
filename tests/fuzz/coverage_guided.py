"""By hand, with the fuzzer atheris installed: `python tests/fuzz/coverage_guided.py FOLDER`.

Coverage-guided bytes for read, strip and apply: the first byte chooses the family of firmware,
the rest is the job. Inputs that reach new code are kept in FOLDER, which is seeded with small
sound jobs; a crash stops the run and is written to the working folder. More words go to the
fuzzer, for example `-max_total_time=600`. The checks are those of `fuzz_checks.py`.

atheris is not in pyproject.toml: it has no wheels for every Python and system we support.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import atheris

with atheris.instrument_imports(include=["capturehook"]):
    import capturehook.api  # noqa: F401 - all its stages, to be instrumented
    from capturehook.model.profile import Profile
    from capturehook.profile import build_profile

from tests.fuzz.fuzz_checks import check_job
from tests.fuzz.mutations import LINES
from tests.read.slow import FIRMWARES
from tests.small_jobs import Recipe, make_job
from tests.strategies import profile_table
from tests.variants import for_firmware

LAYERS = {"capture": {"every_layers": 1, "first_layer": 1}}
PROFILES: list[Profile] = [
    build_profile(profile_table(family, **LAYERS), "heron.toml") for family in FIRMWARES
]
calls: Counter[str] = Counter()


def one_input(data: bytes) -> None:
    if not data:
        return
    profile = PROFILES[data[0] % len(PROFILES)]
    wrong = check_job(calls, data[1:], profile, all_calls=False)
    if wrong:
        raise AssertionError(wrong)


def seed(folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for number, family in enumerate(FIRMWARES):
        for marks in "ACH":
            job = for_firmware(make_job(Recipe(marks=marks, layers=2)).data, family)
            (folder / f"{family}_{marks}").write_bytes(bytes([number]) + job)
    for number, line in enumerate(LINES):
        (folder / f"line_{number}").write_bytes(b"\0G90\nM83\nG1 Z1 F9\n" + line.encode() + b"\n")


def main() -> None:
    folder = Path(sys.argv[1] if len(sys.argv) > 1 else "corpus")
    seed(folder)
    atheris.Setup([sys.argv[0], str(folder), "-max_len=6000", *sys.argv[2:]], one_input)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
