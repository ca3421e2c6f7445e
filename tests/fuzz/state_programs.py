"""Random programs of state commands: what is written must lay the same plastic, or be refused.

Run by hand: `python -m tests.fuzz.state_programs --count 3000 --seed 1 [--family klipper]`.
Three readers look at each program: ours places the blocks, the witness of the output proves them,
and the slow reader of `tests/read/` plays the job and what was written. A judge from outside plays
both as well where CAPTUREHOOK_JUDGE_<FAMILY> names a script that takes two jobs and ends with 0
when they are alike.
"""

from __future__ import annotations

import argparse
import os
import random
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path

from capturehook import apply
from capturehook.errors import CaptureHookError, ProofError
from capturehook.model.profile import Profile
from capturehook.profile import build_profile
from tests.read.slow import FIRMWARES
from tests.read.slow_state import StateKeeper, laid_by
from tests.strategies import profile_table

MODES = ["G90", "G91", "M82", "M83", "G92 E0", "G92 X10 Y-5", "G92 Z0.3", "M220 S80",
         "M221 S95", "M221 S150"]  # fmt: skip
OWN = {
    "marlin": ["M120", "M121", "G27", "G60 S0", "M73 P5", "M400", "T0", "G4 P5", "G20", "G21"],
    "klipper": [
        "SAVE_GCODE_STATE NAME=a", "RESTORE_GCODE_STATE NAME=a",
        "RESTORE_GCODE_STATE NAME=a MOVE=1",
        "SAVE_GCODE_STATE", "RESTORE_GCODE_STATE MOVE=1 MOVE_SPEED=20", "SET_GCODE_OFFSET Z=0.2",
        "SET_GCODE_OFFSET X_ADJUST=1.5 MOVE=1", "SET_GCODE_OFFSET Z_ADJUST=-0.1", "G92",
        "ACTIVATE_EXTRUDER EXTRUDER=extruder", "CLEAN_NOZZLE", "M204 S900",
    ],
    "reprapfirmware": [
        "M120", "M121", "M120", "M121", "G10 L2 P2 X10 Y-5 Z0", "G55", "G54", "G10 P0 S205 R160",
        'M98 P"purge.g"', "M290 S0.05", "G10 L20 P1 X20", "G20", "G21", "T0",
    ],
    "smoothie": ["M120", "M121", "M120", "M121", "G10 L2 P2 X5 Y0 Z0", "G55", "G54", "G0 F8000"],
    "repetier": ["M401", "M402", "M402 X0", "M120", "G20", "G21", "M400", "T0"],
    "rs274": ["M70", "M72", "G55", "G54", "G10 L2 P2 X1 Y2 Z0", "G20", "G21", "G61", "G92.1"],
}  # fmt: skip


class Program:
    """Writes a job line by line, the slow reader telling it where the machine stands."""

    def __init__(self, firmware: str, rng: random.Random) -> None:
        self.firmware, self.rng = firmware, rng
        self.axis = "A" if firmware == "rs274" else "E"
        self.machine = StateKeeper(firmware, self.axis)
        self.lines: list[str] = []

    def add(self, *lines: str) -> None:
        for line in lines:
            self.lines.append(line)
            self.machine.feed(line)

    def go(self, x: float, y: float, z: float, *, lays: float = 0.0, feed: str = "") -> None:
        """A move to a place of the machine, in the words its state asks for."""
        unit = 25.4 if self.machine.inches else 1.0
        words = []
        for k, (axis, place) in enumerate(zip("XYZ", (x, y, z), strict=True)):
            if abs(place - self.machine.physical[k]) < 1e-6 and self.rng.random() < 0.5:
                continue
            start = self.machine.offset[k] if self.machine.absolute else self.machine.physical[k]
            words.append(f"{axis}{(place - start) / unit:.6f}")
        if lays:
            e_unit = 1.0 if self.firmware in ("smoothie", "rs274") else unit
            start = self.machine.e_mm if self.machine.e_absolute else 0.0
            words.append(f"{self.axis}{(start + lays) / e_unit:.6f}")
        if words:
            self.add(" ".join([*self._motion(lays), *words]) + feed)

    def _motion(self, lays: float) -> list[str]:
        """G1, or G0 on the way, or nothing where words alone go on with the same."""
        wish = "G0" if not lays and self.rng.random() < 0.2 else "G1"
        goes_on = self.firmware in ("smoothie", "rs274") and self.machine.motion == int(wish[1])
        return [] if goes_on and self.rng.random() < 0.3 else [wish]

    def some_commands(self, most: int) -> None:
        pool = OWN[self.firmware] + [
            one for one in MODES if self.firmware != "rs274" or one not in ("M82", "M83", "G92 E0")
        ]
        for _ in range(self.rng.randint(0, most)):
            self.add(self.rng.choice(pool))
            if self.rng.random() < 0.3:
                self.go(self.rng.uniform(40, 160), self.rng.uniform(40, 160),
                        self.machine.physical[2] + self.rng.choice((0.0, 1.0)))  # fmt: skip

    def layer(self, number: int) -> None:
        rng, z = self.rng, round(0.2 * number, 3)
        self.add(";LAYER_CHANGE", f";Z:{z:g}", ";HEIGHT:0.2")
        if rng.random() < 0.4:
            self.some_commands(2)
        if rng.random() < 0.3:
            self.add("G90", *([] if self.firmware == "rs274" else [rng.choice(("M82", "M83"))]))
        self.go(60, 60, z, feed=" F6000")
        for at, (x, y) in enumerate(((90, 60), (90, 90), (60, 90), (60, 60))):
            feed = " F1800" if at == 0 and not self.machine.inches else ""
            self.go(x, y, z, lays=1.0, feed=feed)
            if rng.random() < 0.15:
                self.some_commands(2)
                self.go(x, y, z)


def make_program(firmware: str, seed: int) -> bytes:
    """A small job of five layers."""
    program = Program(firmware, random.Random(seed))
    modes = [] if firmware == "rs274" else ["M82"]
    program.add("G21", "G90", *modes, "M104 S205", "G28", f"G92 {program.axis}0")
    program.add("G1 X50 Y50 Z0.2 F3000")
    for number in range(1, 6):
        program.layer(number)
    program.add("M104 S0", "M140 S0")
    end = "M2" if firmware == "rs274" else "M84"
    return "\n".join([*program.lines, end, ""]).encode()


def profile_of(firmware: str) -> Profile:
    table = profile_table(firmware)
    table["machine"] |= {"x_mm": [-50, 350], "y_mm": [-50, 350]}
    return build_profile(table, "heron.toml")


def verdict_on(job: bytes, firmware: str, profile: Profile) -> str:
    """`agreed`, `refused`, `no pose`, or what is wrong."""
    try:
        posed = apply(job, profile, path="program", skip_unsafe=True)
    except ProofError as fault:
        told = "do not tell" in str(fault)
        return "refused by the witness" if told else f"WRONG: the witness: {fault}"
    except CaptureHookError:
        return "refused"
    if not posed.poses:
        return "no pose"
    before, after = laid_by(job, firmware), laid_by(posed.data, firmware)
    if len(before) != len(after):
        return f"WRONG: {len(before)} strokes are {len(after)}"
    for was, now in zip(before, after, strict=True):
        far = max(abs(a - b) for a, b in zip((*was.start, *was.end), (*now.start, *now.end),
                                             strict=True))  # fmt: skip
        if far > 1e-4 or abs(was.e_step_mm - now.e_step_mm) > 1e-4:
            return f"WRONG: {was} is {now}"
        if abs(was.feed_mm_min - now.feed_mm_min) > 1e-3:
            return f"WRONG: feed {was} is {now}"
    return _judged(job, posed.data, firmware)


def _judged(job: bytes, posed: bytes, firmware: str) -> str:
    judge = os.environ.get(f"CAPTUREHOOK_JUDGE_{firmware.upper()}")
    if not judge:
        return "agreed"
    with tempfile.TemporaryDirectory() as folder:
        paths = [Path(folder, name) for name in ("job.gcode", "posed.gcode")]
        for path, data in zip(paths, (job, posed), strict=True):
            path.write_bytes(data)
        done = subprocess.run([sys.executable, judge, *map(str, paths)], capture_output=True)
    if done.returncode == 2:
        return "agreed, not played by the judge"
    said = done.stdout.decode(errors="replace").strip()
    return "agreed, judge too" if done.returncode == 0 else f"WRONG: the judge: {said}"


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--count", type=int, default=300)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--family", choices=FIRMWARES, action="append")
    options.add_argument("--show", type=int, default=2, help="wrong programs to print")
    wish = options.parse_args()
    wrong = 0
    for firmware in wish.family or FIRMWARES:
        profile, verdicts = profile_of(firmware), Counter[str]()
        for seed in range(wish.seed, wish.seed + wish.count):
            job = make_program(firmware, seed)
            verdict = verdict_on(job, firmware, profile)
            verdicts[verdict.partition(":")[0]] += 1
            if verdict.startswith("WRONG"):
                wrong += 1
                if wrong <= wish.show:
                    print(f"--- {firmware} {seed}: {verdict}\n{job.decode()}")
        print(firmware, dict(verdicts))
    sys.exit(wrong > 0)


if __name__ == "__main__":
    main()
