"""By hand: `python tests/fuzz/run_fuzz.py --seconds 600 --seed 1`; exit code 1 on a finding.

Every case comes from its own number (seed, case), so that one case can be run again alone
(`--only CASE`). Findings are written to a folder with the job, the profile and the complaint.
"""

from __future__ import annotations

import argparse
import json
import random
import resource
import signal
import sys
import tempfile
import time
import warnings
from collections import Counter
from pathlib import Path
from types import FrameType

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import capturehook
from capturehook.profile import build_profile
from capturehook.profile.text import full_text, toml_value
from tests.fuzz import fuzz_checks, fuzz_files, mutations
from tests.fuzz.fuzz_checks import Counts

CASE_S = 30
KINDS = ("job", "job", "job", "job", "job", "applied", "profile", "plan")
FILE_KINDS = ("zip", "zip", "zip", "resin", "resin", "frames")
MOST_BYTES = 3 * 1024**3
"""Address space of a run: a case that wants more is a finding (MemoryError)."""


class TooSlowError(Exception):
    """A case took longer than CASE_S."""


def _too_slow(_: int, __: FrameType | None) -> None:
    raise TooSlowError(f"longer than {CASE_S} s")


def run_case(
    seed: int | str, case: int, counts: Counts, scratch: Path, kinds: tuple[str, ...] = KINDS
) -> tuple[list[str], dict[str, bytes]]:
    """One case: (complaints, what to keep of it)."""
    rng = random.Random(f"{seed}/{case}")
    kind = rng.choice(kinds)
    counts[f"cases: {kind}"] += 1
    if kind in FILE_KINDS:
        return fuzz_files.run_files_case(kind, rng, counts, scratch)
    if kind == "profile":
        return _profile_case(rng, counts)
    if kind == "plan":
        return _plan_case(rng, counts, scratch)
    return _job_case(rng, counts, applied=kind == "applied")


def _profile_case(rng: random.Random, counts: Counts) -> tuple[list[str], dict[str, bytes]]:
    table = mutations.wish_table(rng, mutations.any_firmware(rng))
    sound = fuzz_checks.profile_of(counts, table)
    text = full_text(sound) if sound is not None and rng.random() < 0.5 else _toml(table)
    text = mutations.broken_toml(rng, text)
    return fuzz_checks.check_profile(counts, text), {
        "profile.toml": text.encode("utf-8", "replace")
    }


def _toml(table: dict[str, object]) -> str:
    tops = [f"{key} = {toml_value(one)}" for key, one in table.items() if not isinstance(one, dict)]
    for key, one in table.items():
        if isinstance(one, dict):
            tops += [
                "",
                f"[{key}]",
                *(f"{name} = {toml_value(value)}" for name, value in one.items()),
            ]
    return "\n".join(tops)


def _plan_case(
    rng: random.Random, counts: Counts, scratch: Path
) -> tuple[list[str], dict[str, bytes]]:
    profile = build_profile(mutations.profile_table("marlin"), "heron.toml")
    record = capturehook.plan(mutations._plain()[0], profile)
    text = mutations.broken_plan(rng, json.dumps(record.as_json()))
    path = scratch / "plan.json"
    raw = text.encode("utf-8", "surrogatepass")
    if rng.random() < 0.2:
        raw = mutations.flip_bytes(rng, raw)
    path.write_bytes(raw)
    return fuzz_checks.check_plan(counts, path), {"plan.json": raw}


def _job_case(
    rng: random.Random, counts: Counts, *, applied: bool
) -> tuple[list[str], dict[str, bytes]]:
    firmware = mutations.any_firmware(rng)
    table = mutations.wish_table(rng, firmware)
    profile = fuzz_checks.profile_of(counts, table)
    if profile is None:
        return [], {}
    data = mutations.broken_job(rng, firmware)
    if applied:
        posed, _ = fuzz_checks.guarded(
            counts, "apply first", lambda: capturehook.apply(data, profile)
        )
        data = mutations.broken(rng, posed.data if posed is not None else data)
    wrong = fuzz_checks.check_job(counts, data, profile)
    return wrong, {"job.gcode": data, "profile.toml": _toml(table).encode()}


def _keep(folder: Path, case: int, wrong: list[str], parts: dict[str, bytes]) -> None:
    place = folder / f"case_{case}"
    place.mkdir(parents=True, exist_ok=True)
    (place / "wrong.txt").write_text("\n".join(wrong) + "\n")
    for name, data in parts.items():
        (place / name).write_bytes(data)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=600.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", type=int, help="run this case alone")
    parser.add_argument("--files", action="store_true", help="containers and pictures instead")
    parser.add_argument("--keep", type=Path, help="folder for findings (else a new one in /tmp)")
    options = parser.parse_args()
    warnings.simplefilter("error")
    resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))
    kinds = FILE_KINDS if options.files else KINDS
    signal.signal(signal.SIGALRM, _too_slow)
    keep = options.keep or Path(tempfile.mkdtemp(prefix="fuzz-"))
    counts: Counts = Counter()
    findings: Counter[str] = Counter()
    case, until = options.only or 0, time.monotonic() + options.seconds
    with tempfile.TemporaryDirectory() as scratch:
        while time.monotonic() < until:
            signal.alarm(CASE_S)
            parts: dict[str, bytes] = {}
            try:
                wrong, parts = run_case(options.seed, case, counts, Path(scratch), kinds)
            except TooSlowError as fault:
                wrong = [str(fault)]
            signal.alarm(0)
            if wrong:
                findings[wrong[0][:140]] += 1
                _keep(keep, case, wrong, parts)
                print(f"case {case}: {wrong[0][:300]}", flush=True)
            case += 1
            if options.only is not None:
                break
    for name, count in sorted(counts.items()):
        print(f"{count:8} {name}")
    print(f"{case - (options.only or 0)} cases, {sum(findings.values())} findings (in {keep})")
    return 1 if findings else 0


if __name__ == "__main__":
    sys.exit(main())
