"""How still and even a film is, told from its decoded pictures alone.

    python -m tests.film.measure_film           # draws a shoot, films it, measures all

Shifts are found by a library that the film was not made with where it can be: the upsampled
cross-correlation of scikit-image on patches that nothing ever crosses. Light and colour are
linear means of the same patches. Nothing here imports capturehook; films are made by its
command line. Side by side: the pictures as shot, the encoder library's own stabiliser and
flicker filter, and sixty lines around the ECC of OpenCV.
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from skimage.registration import phase_cross_correlation

from tests.film.scene import Scene, linear_of, plan_of

PATCHES = ((0.90, 0.12), (0.92, 0.40), (0.92, 0.70), (0.12, 0.08), (0.5, 0.07), (0.7, 0.08))
PATCHES = (*PATCHES, (0.3, 0.955), (0.6, 0.955))
BESIDE = (7, 9)


@dataclass
class Quality:
    """Residual movement in px of the original; flicker in EV, standard deviations."""

    rms_px: float
    worst_px: float
    light_ev: float
    colour_ev: float

    def __str__(self) -> str:
        return f"{self.rms_px:7.3f} {self.worst_px:7.3f} {self.light_ev:9.4f} {self.colour_ev:9.4f}"


def film_pictures(path: Path) -> Iterator[np.ndarray]:
    import av

    with av.open(str(path)) as container:
        for frame in container.decode(video=0):
            yield frame.to_ndarray(format="rgb24")


def quality_of(pictures: Iterator[np.ndarray], original_px: int) -> Quality:
    """Each patch is held against the same patch of the middle picture, then its own mean."""
    shown = [_patches(rgb) for rgb in pictures]
    usual = shown[len(shown) // 2][0]
    places = np.array(
        [[_shift(a, b) for a, b in zip(usual, grey, strict=True)] for grey, _ in shown]
    )  # (F, patches, 2)
    strays = places - np.median(places, axis=0)
    pooled = np.sqrt((strays**2).sum(axis=2))
    scale = original_px / _WIDTH[0]
    light = np.log2(np.array([mean for _, mean in shown]))  # (F, 3)
    level = light @ (0.2126, 0.7152, 0.0722)
    ratio = light[:, 0] - light[:, 1]
    return Quality(
        rms_px=float(np.sqrt((pooled**2).mean())) * scale,
        worst_px=float(np.sqrt((strays**2).sum(axis=2).mean(axis=1)).max()) * scale,
        light_ev=_flicker(level),
        colour_ev=_flicker(ratio),
    )


_WIDTH = [0]


def _patches(rgb: np.ndarray) -> tuple[list[np.ndarray], np.ndarray]:
    high, wide = rgb.shape[:2]
    _WIDTH[0] = wide
    tall, broad = high // 14, wide // 12
    tall -= tall % 2
    cuts = []
    for x, y in PATCHES:
        top, left = round(y * high - tall / 2), round(x * wide - broad / 2)
        top, left = min(max(0, top), high - tall), min(max(0, left), wide - broad)
        cuts.append(rgb[top : top + tall, left : left + broad])
    means = np.mean([linear_of(cut.astype(np.float32)).mean(axis=(0, 1)) for cut in cuts], axis=0)
    return [cv2.cvtColor(cut, cv2.COLOR_RGB2GRAY).astype(np.float32) for cut in cuts], means


def _shift(usual: np.ndarray, grey: np.ndarray) -> np.ndarray:
    window = np.outer(np.hanning(usual.shape[0]), np.hanning(usual.shape[1]))
    a, b = ((one - one.mean()) / one.std() * window for one in (usual, grey))
    return phase_cross_correlation(a, b, upsample_factor=100, normalization=None)[0]


def _flicker(ev: np.ndarray) -> float:
    """Standard deviation about a line through the nine around each: what the eye sees flicker."""
    half = BESIDE[1] // 2
    strays = []
    for k in range(len(ev)):
        low = min(max(0, k - half), len(ev) - BESIDE[1])
        place = np.arange(low, low + BESIDE[1])
        strays.append(ev[k] - np.polyval(np.polyfit(place, ev[place], 1), k))
    return float(np.std(strays))


def as_shot(folder: Path, width: int) -> Iterator[np.ndarray]:
    for path in sorted(folder.glob("*.JPG")):
        rgb = cv2.cvtColor(cv2.imread(str(path)), cv2.COLOR_BGR2RGB)
        high = round(rgb.shape[0] * width / rgb.shape[1]) // 2 * 2
        yield cv2.resize(rgb, (width, high), interpolation=cv2.INTER_AREA)


def filtered(folder: Path, width: int) -> Iterator[np.ndarray]:
    """The encoder library's own filters: deshake and deflicker."""
    import av
    from av.filter import Graph

    graph, feed = None, None
    for rgb in as_shot(folder, width):
        frame = av.VideoFrame.from_ndarray(rgb, format="rgb24")
        if graph is None:
            graph = Graph()
            feed = graph.add_buffer(width=rgb.shape[1], height=rgb.shape[0], format="rgb24")
            steps = [
                graph.add("format", "yuv444p"),
                graph.add("deshake", "rx=32:ry=32"),
                graph.add("deflicker", "size=9"),
                graph.add("format", "rgb24"),
                graph.add("buffersink"),
            ]
            graph.link_nodes(feed, *steps).configure()
        feed.push(frame)
        yield from _pulled(graph)
    feed.push(None)
    yield from _pulled(graph)


def _pulled(graph) -> Iterator[np.ndarray]:
    import av

    while True:
        try:
            yield graph.pull().to_ndarray(format="rgb24")
        except (av.BlockingIOError, av.EOFError):
            return


def by_ecc(folder: Path, width: int, still: np.ndarray) -> Iterator[np.ndarray]:
    """OpenCV's ECC on what is known to be still, and a gain for each channel."""
    usual = lights = mask = None
    for rgb in as_shot(folder, width):
        grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY).astype(np.float32)
        if usual is None:
            usual = grey
            size = (rgb.shape[1], rgb.shape[0])
            mask = cv2.resize(still.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
            lights = linear_of(rgb.astype(np.float32))[mask > 0].mean(axis=0)
        warp = np.eye(2, 3, dtype=np.float32)
        stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 60, 1e-6)
        _, warp = cv2.findTransformECC(usual, grey, warp, cv2.MOTION_AFFINE, stop, mask, 5)
        laid = cv2.warpAffine(
            rgb, warp, grey.shape[::-1], flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        )
        light = linear_of(laid.astype(np.float32))
        light *= lights / light[mask > 0].mean(axis=0)
        from tests.film.scene import codes_of

        yield np.rint(codes_of(light)).astype(np.uint8)


def assembled(out: Path, folder: Path, plan: Path, *options: str) -> tuple[float, float]:
    """Make a film by the command line: seconds of CPU, and the peak memory in MB."""
    command = [sys.executable, "-m", "capturehook", "assemble", str(folder), "--plan", str(plan)]
    # A small process in between: a child's peak is never told as less than its parent's size.
    watched = [sys.executable, "-c", WATCH, *command, "-o", str(out), *options]
    done = subprocess.run(watched, capture_output=True, text=True)
    if done.returncode not in (0, 1):
        raise RuntimeError(done.stderr + done.stdout)
    *said, told = done.stdout.splitlines()
    print("\n".join(said))
    cpu_s, peak_mb = map(float, told.split())
    return cpu_s, peak_mb


WATCH = """
import resource, subprocess, sys
code = subprocess.run(sys.argv[1:]).returncode
used = resource.getrusage(resource.RUSAGE_CHILDREN)
print(used.ru_utime + used.ru_stime, used.ru_maxrss / 1024, flush=True)
sys.exit(code)
"""


def main() -> None:
    import tempfile

    size = (6000, 4000) if "--24" in sys.argv else (4000, 3000)
    frames = int(next((w.split("=")[1] for w in sys.argv if w.startswith("--frames=")), 24))
    with tempfile.TemporaryDirectory() as scratch:
        base = Path(scratch)
        scene = Scene(size_px=size, frames=frames).shake().light("lamp")
        start = time.time()
        scene.write(base / "card")
        plan = plan_of(scene, base / "plan.json")
        print(f"drawn in {time.time() - start:.0f} s; residual px, worst, light EV, colour EV")
        width, card = 1920, base / "card"
        if "--ours" not in sys.argv:
            print("as shot      ", quality_of(as_shot(card, width), size[0]))
            print("own filters  ", quality_of(filtered(card, width), size[0]))
            print("ecc and gain ", quality_of(by_ecc(card, width, scene.still_mask()), size[0]))
        for options in (["--even-light"], ["--even-light", "--align", "turn"]):
            out = base / "film.mkv"
            cpu_s, peak_mb = assembled(
                out, card, plan, *options, "--codec", "ffv1", "--width", "1920"
            )
            good = quality_of(film_pictures(out), size[0])
            print(f"{' '.join(options):13}", good, f"{cpu_s / frames:.2f} s {peak_mb:.0f} MB")


if __name__ == "__main__":
    main()
