"""How well the audit judges frames: nine kinds of fault, three scenes, three lights.

    python tests/bench/bench_judging.py [SHOOTS] [WIDTH]

Draws shoots (tests/film/scene.py: photographs as scenery, photon noise, JPEG of 85 to 95, real
Exif), with one fault of each kind in every shoot and clean ones besides, and audits them by the
command line. Nothing of ours is imported. Counted are frames: recall of each kind (any of the
verdicts that are true of it), false alarms among frames without a fault, and warnings about the
whole shoot that are not true of it. Bars: recall 95 %, one false alarm in 500 frames.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from tests.film.scene import LIGHTS, PHOTOS, Scene, save_jpeg  # noqa: E402

FRAMES = 54
APART = 5
TRUE_OF = {
    "missing": {"missing"},
    "double": {"double"},
    "late": {"late"},
    "dark": {"dark"},
    "overexposed": {"overexposed"},
    "blurred": {"blurred"},
    "moved": {"moved"},
    "not parked": {"not parked"},
    "unreadable": {"unreadable", "not parked"},  # bytes that decode, into a wrong picture
}
KINDS = tuple(TRUE_OF)
SOFT = {"orientation", "alias", "drift", "no-static-area", "copies", "time-guessed"}
Spoil = Callable[[np.random.Generator, Scene, int], None]


@dataclass
class Counts:
    """What came of it, by kind; ``missed`` and ``false`` name shoots and frames."""

    drawn: Counter[str] = field(default_factory=Counter)
    found: Counter[str] = field(default_factory=Counter)
    clean: int = 0
    missed: list[str] = field(default_factory=list)
    false: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)

    @property
    def recall(self) -> float:
        return sum(self.found.values()) / max(1, sum(self.drawn.values()))

    @property
    def false_share(self) -> float:
        return len(self.false) / max(1, self.clean)


def spoil_shot(kind: str, rng: np.random.Generator, scene: Scene, index: int) -> None:
    """One fault as a film-maker would mind it, never two alike."""
    shot = scene.shots[index]
    film = max(1.0, min(scene.size_px) / 1080)  # px of the original for one of a film
    gain = np.array(shot.gain)
    if kind == "dark":
        shot.gain = tuple(gain * 2.0 ** -rng.uniform(1.5, 4))
    elif kind == "overexposed":
        shot.gain = tuple(gain * 2.0 ** rng.uniform(1.5, 3))
    elif kind == "blurred" and rng.random() < 0.5:
        shot.blur_px = rng.uniform(1.3, 4) * film
    elif kind == "blurred":
        shot.smear_px = rng.uniform(5, 14) * film
    elif kind == "moved":
        angle = rng.uniform(0, 2 * np.pi)
        by = rng.uniform(4, 15) * film
        shot.dx += by * np.cos(angle)
        shot.dy += by * np.sin(angle)
        shot.turn_deg += rng.normal(0, 0.05)
    elif kind == "not parked":
        gantry = 0.86 - 0.46 * shot.grown - 0.14
        shot.head_at = (rng.uniform(0.25, 0.76), gantry + 0.015)
    elif kind == "unreadable":
        shot.damage = rng.uniform(0.25, 0.8)
    elif kind == "late":
        shot.t_s += rng.uniform(4, 12)


def draw(
    folder: Path, scene: Scene, faults: dict[int, str], rng: np.random.Generator
) -> tuple[Path, dict[str, str], dict[int, str]]:
    """The card and the plan; name of a frame -> fault, and number of a pose -> fault."""
    gaps = rng.uniform(35, 90, scene.frames)
    due_s = np.cumsum(gaps)
    for shot, t_s in zip(scene.shots, due_s, strict=True):
        shot.t_s = float(t_s + 130 + rng.normal(0, 0.1))
    for index, kind in faults.items():
        spoil_shot(kind, rng, scene, index)
    names: dict[str, str] = {}
    poses: dict[int, str] = {}
    number = int(rng.integers(1, 9000))
    folder.mkdir(parents=True)
    for index, shot in enumerate(scene.shots):
        kind = faults.get(index)
        if kind == "missing":
            poses[index + 1] = kind
            continue
        shots = [shot]
        if kind == "double":
            again = type(shot)(**{**vars(shot), "t_s": shot.t_s + rng.uniform(1, 2.5)})
            shots.append(again)
        for one in shots:
            path = folder / f"DSC_{number:04d}.JPG"
            save_jpeg(path, scene.render(one), one, quality=int(rng.integers(85, 96)))
            names[path.name] = kind or ""
            number += 1
    plan = folder.parent / "plan.json"
    plan.write_text(json.dumps(plan_record(due_s)), encoding="utf-8")
    return plan, names, poses


def plan_record(due_s: np.ndarray) -> dict[str, object]:
    """Schema 1 of docs/plan.md."""
    count = len(due_s)
    return {
        "schema": 1,
        "kind": "filament",
        "job": "lighthouse.gcode",
        "profile": "heron",
        "fps": "30",
        "hold_last_s": 0.0,
        "total_s": float(due_s[-1]) + 60,
        "height_mm": 0.2 * count,
        "moves": "bed-y",
        "lag_ms": 120.0,
        "exposure_ms": 33.0,
        "write_ms": 900.0,
        "interval_s": None,
        "poses": [
            {
                "pose": k + 1,
                "layer": k + 1,
                "z_mm": round(0.2 * (k + 1), 3),
                "t_s": round(float(t_s), 3),
                "still_s": 1.5,
                "finished": k == count - 1,
            }
            for k, t_s in enumerate(due_s)
        ],
    }


def audit(card: Path, plan: Path) -> dict[str, object]:
    """What the command line says."""
    command = [sys.executable, "-m", "capturehook", "audit", str(card), "--plan", str(plan)]
    done = subprocess.run([*command, "--json"], capture_output=True, text=True, cwd=ROOT)
    if done.returncode not in (0, 1):
        raise RuntimeError(done.stderr)
    return json.loads(done.stdout)


def count(
    counts: Counts,
    told: dict[str, object],
    names: dict[str, str],
    poses: dict[int, str],
    label: str,
) -> None:
    verdict_of = {Path(one["file"]).name: one for one in told["frames"]}
    doubles = [name for name, kind in names.items() if kind == "double"]
    for first, second in zip(doubles[::2], doubles[1::2], strict=True):
        counts.drawn["double"] += 1
        got = {verdict_of[one]["verdict"] for one in (first, second)}
        right = got == {"good", "double"}
        counts.found["double"] += right
        counts.missed += [] if right else [f"{label} double {first}: {sorted(got)}"]
    for name, kind in names.items():
        one = verdict_of[name]
        if kind == "double":
            continue
        if not kind:
            counts.clean += 1
            if one["verdict"] != "good":
                counts.false.append(f"{label} {name}: {one['verdict']} {_numbers(one)}")
            continue
        counts.drawn[kind] += 1
        right = one["verdict"] in TRUE_OF[kind]
        counts.found[kind] += right
        counts.missed += [] if right else [f"{label} {kind} {name}: {one['verdict']}"]
        if not right:
            counts.missed[-1] += f" {_numbers(one)}"
    for one in told["poses"]:
        kind = poses.get(one["pose"])
        if kind is None:
            if one["verdict"] == "missing":
                counts.false.append(f"{label} pose {one['pose']}: missing")
            continue
        counts.drawn[kind] += 1
        right = one["verdict"] == "missing"
        counts.found[kind] += right
        counts.missed += [] if right else [f"{label} {kind} pose {one['pose']}: {one['verdict']}"]
    kinds = {kind.replace(" ", "-") for kind in TRUE_OF}
    for finding in told["findings"]:
        if finding["code"] not in kinds | SOFT:
            counts.warnings.append(f"{label} {finding['code']} {finding['where']}")


def _numbers(one: dict[str, object]) -> str:
    keys = ("late_s", "sharp_ratio", "flicker_ev", "dx_px", "dy_px", "odd_share")
    return " ".join(f"{key}={one[key]}" for key in keys)


def run_grid(
    folder: Path,
    shoots: int = 2,
    size_px: tuple[int, int] = (1200, 900),
    frames: int = FRAMES,
    photos: tuple[str, ...] = PHOTOS,
    lights: tuple[str, ...] = LIGHTS,
) -> Counts:
    """Every scene in every light; so many shoots with faults, and one clean, of each."""
    counts = Counts()
    for photo in photos:
        for light in lights:
            for seed in range(shoots + 1):
                label = f"{photo}/{light}/{seed}"
                rng = np.random.default_rng([seed, PHOTOS.index(photo), LIGHTS.index(light)])
                scene = Scene(size_px=size_px, frames=frames, photo=photo, seed=seed)
                scene.shake(0.25 * min(size_px) / 1000, 0.004, knocks=0)
                scene.light(light, ev=0.1, colour_ev=0.012)
                places = np.arange(3, frames - 3, APART)
                chosen = rng.permutation(places)[: len(KINDS)]
                faults = dict(zip(sorted(chosen.tolist()), rng.permutation(KINDS), strict=True))
                at = folder / label.replace("/", "-").replace(" ", "-")
                plan, names, poses = draw(at / "card", scene, faults if seed else {}, rng)
                count(counts, audit(at / "card", plan), names, poses, label)
                for path in sorted((at / "card").iterdir()):
                    path.unlink()
    return counts


def main() -> None:
    shoots = int(sys.argv[1]) if len(sys.argv) > 1 else 2
    wide = int(sys.argv[2]) if len(sys.argv) > 2 else 1200
    with tempfile.TemporaryDirectory() as folder:
        counts = run_grid(Path(folder), shoots, (wide, wide * 3 // 4))
    for kind in KINDS:
        print(f"{kind:12s} {counts.found[kind]:3d} of {counts.drawn[kind]:3d}")
    print(f"recall       {100 * counts.recall:.1f} %")
    print(f"false alarms {len(counts.false)} of {counts.clean} frames")
    print(f"warnings     {len(counts.warnings)}")
    for title in ("missed", "false", "warnings"):
        for one in getattr(counts, title):
            print(f"  {title}: {one}")


if __name__ == "__main__":
    main()
