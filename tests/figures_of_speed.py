"""Every figure of speed and memory, asked beside measured, as ratios of one run: `python tests/figures_of_speed.py`.

Times are processor seconds unless they say wall: a machine with other work to do stretches the wall, and it stretches
processor time too, by half and more, so each own time stands beside a general library's in the same run.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from skimage.registration._masked_phase_cross_correlation import cross_correlate_masked
from stages_of_a_photograph import STAGES, write_photograph

from fragkit.net.correlation import autocorrelation, overlap_of

HERE = Path(__file__).parent
SAMPLE = HERE.parent / "sample_images" / "orrowby"
Row = tuple[str, str, str]

ANCHORS_S = {"decode": 1.08, "warp": 0.85, "matched filter": 2.0}
"""What the general pieces took on a quiet machine of two cores, wall: own measurement, best of three."""
WORK_PX = (1000, 660)
"""About the scale at which a net is looked for in a photograph of 24 megapixels."""


def least(n: int, call) -> float:
    """Least processor time of n calls, in seconds."""
    times = []
    for _ in range(n):
        began = time.process_time()
        call()
        times.append(time.process_time() - began)
    return min(times)


def masked_scene(seed: int, size: tuple[int, int] = WORK_PX) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    values = rng.normal(size=(size[1], size[0], 1)).astype(np.float32)
    return values, (rng.random((size[1], size[0])) > 0.2).astype(np.float32)


def own_correlation(values: np.ndarray, weight: np.ndarray, lag_px: int = 150) -> np.ndarray:
    return autocorrelation(values, overlap_of(weight, largest_lag_px=(lag_px, lag_px)))[0]


def library_correlation(values: np.ndarray, weight: np.ndarray) -> np.ndarray:
    plain, mask = values[..., 0].astype(float), weight > 0
    return cross_correlate_masked(plain, plain, mask, mask, mode="full", axes=(0, 1), overlap_ratio=0.1)


def direct_difference(seed: int = 5, reach: int = 6) -> float:
    """Largest difference from direct sums in double precision over some lags of a small picture."""
    values, weight = masked_scene(seed, (80, 60))
    found = own_correlation(values, weight, reach)
    centred = values[..., 0].astype(float)
    centred = (centred - (centred * weight).sum() / weight.sum()) * weight
    worst = 0.0
    for dy in range(-reach, reach + 1):
        for dx in range(-reach, reach + 1):
            one, other = (
                (slice(max(0, s * dy), 60 + min(0, s * dy)), slice(max(0, s * dx), 80 + min(0, s * dx)))
                for s in (-1, 1)
            )
            first, second = centred[one], centred[other]
            scale = np.sqrt((first**2 * weight[other]).sum() * (second**2 * weight[one]).sum())
            worst = max(worst, abs((first * second).sum() / scale - found[reach + dy, reach + dx]))
    return float(worst)


def stages(size_px: tuple[int, int], wall_mm: tuple[float, float], profile: Path | None = None) -> dict[str, dict]:
    """General pieces and own stages of one photograph, each in (processor s, wall s, peak MB)."""
    with tempfile.TemporaryDirectory() as folder:
        write_photograph(Path(folder), size_px, wall_mm, seed=77)
        call = [sys.executable, str(HERE / "stages_of_a_photograph.py"), folder]
        run = subprocess.run([*call, *([str(profile)] if profile else [])], capture_output=True, text=True, check=True)
    return json.loads(run.stdout)


def stage_rows(title: str, asked_s: float, measured: dict[str, dict], asked_mb: float | None = None) -> list[Row]:
    own, general = measured["own"], measured["general"]
    cpu_s = sum(own[stage][0] for stage in STAGES)
    scale = sum(ANCHORS_S.values()) / sum(general[name][0] for name in ANCHORS_S)
    wall_s = sum(own[stage][1] for stage in STAGES)
    pieces, pieces_wall = (sum(step[k] for step in general.values()) for k in (0, 1))
    over = f"{wall_s / pieces_wall:.2f} wall, {cpu_s / pieces:.2f} processor"
    rows = [
        (f"{title}: file to net and motif, wall", f"≤ {asked_s:g} s", f"{wall_s:.1f} s, {cpu_s:.1f} s processor"),
        ("  over decode, warp, matched filter and peaks of one run", "", over),
    ]
    if asked_mb is not None:
        most = max(own[stage][2] for stage in STAGES)
        rows.insert(1, ("  on a machine whose general pieces take what is stated", "", f"{scale * cpu_s:.1f} s"))
        rows.append(("  peak memory", f"≤ {asked_mb:.0f} MB", f"{most:.0f} MB"))
    return rows + [(f"  {s}", "", "{:.2f} s, wall {:.2f} s, peak {:.0f} MB".format(*own[s])) for s in STAGES]


def child_seconds(command: list[str], environment: dict[str, str] | None = None) -> tuple[float, float]:
    """Processor and wall seconds of a command and its children; compiled modules are kept, as for any user."""
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    before, began = os.times(), time.perf_counter()
    subprocess.run(command, check=True, capture_output=True, env=kept | (environment or {}))
    after = os.times()
    cpu_s = after.children_user - before.children_user + after.children_system - before.children_system
    return cpu_s, time.perf_counter() - began


def command_rows() -> list[Row]:
    """Import, check, and the sample study cold and unchanged."""
    python = [sys.executable, "-c"]
    bare, fragkit, general = (
        min(child_seconds([*python, text]) for _ in range(3))
        for text in ("pass", "import fragkit", "import numpy, cv2, scipy.optimize")
    )
    check = min(child_seconds([sys.executable, "-m", "fragkit", "check", str(SAMPLE)]) for _ in range(3))
    rows = [
        ("import fragkit, over bare Python", "≤ 0.35 s", f"{fragkit[0] - bare[0]:.3f} s"),
        ("fragkit check", "≤ 1 s", f"{check[0]:.2f} s, wall {check[1]:.2f} s"),
        ("  over importing numpy, OpenCV and scipy.optimize", "", f"{check[0] / general[0]:.2f}"),
    ]
    with tempfile.TemporaryDirectory() as folder:
        run = [sys.executable, "-m", "fragkit", "run", str(SAMPLE), "--out", f"{folder}/record", "--workers", "2"]
        for title, asked in (("cold", "≤ 30 s wall"), ("unchanged", "≤ 3 s wall")):
            cpu_s, wall_s = child_seconds(run, {"FRAGKIT_CACHE": f"{folder}/cache"})
            rows.append((f"sample study, {title}, 2 workers", asked, f"{wall_s:.1f} s wall, {cpu_s:.1f} s processor"))
        shutil.rmtree(f"{folder}/cache")
    return rows


def correlation_rows() -> list[Row]:
    values, weight = masked_scene(1)
    own, library = (
        least(5, lambda: own_correlation(values, weight)),
        least(1, lambda: library_correlation(values, weight)),
    )
    title = f"masked autocorrelation, {WORK_PX[0]} × {WORK_PX[1]} px"
    return [
        (title, "≤ 0.3 s", f"{own:.3f} s"),
        ("  the library's masked correlation over it", "", f"{library / own:.1f}"),
        ("  largest difference from direct sums", "≤ 1e-5", f"{direct_difference():.1e}"),
    ]


def show(rows: list[Row]) -> str:
    return "\n".join(f"{title:66s} {asked:>12s}   {found}" for title, asked, found in rows)


def main() -> None:
    profile = Path(tempfile.gettempdir()) / "profile-of-24-megapixels.txt"
    rows = correlation_rows() + command_rows()
    rows += stage_rows("1 megapixel", 0.4, stages((1224, 816), (620.0, 470.0)))
    rows += stage_rows("24 megapixels", 6.0, stages((6000, 4000), (1500.0, 1000.0)), 1200.0)
    print(show(rows))
    stages((6000, 4000), (1500.0, 1000.0), profile)
    print(profile.read_text())


if __name__ == "__main__":
    main()
