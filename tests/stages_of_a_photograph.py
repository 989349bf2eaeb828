"""One photograph from file to net and motif, stage by stage: processor and wall seconds, and the most memory held.

Run in a process of its own, as `python stages_of_a_photograph.py FOLDER [PROFILE]`, on what `write_photograph` has
put there; it prints JSON. Beside the stages stand the general pieces that a user would otherwise take, in the same
run: times of different runs do not compare on a machine with other work to do.
"""

import cProfile
import json
import pstats
import sys
import time
from pathlib import Path

import cv2
import numpy as np
from independent_scene import Recipe, make_scene
from skimage.feature import match_template, peak_local_max

from fragkit.motifs import build_motif, find_centres
from fragkit.net import find_nets
from fragkit.rectify import rectify
from fragkit.survey import PointControl, read_photo

MEMORY = Path("/proc/self")
STAGES = ("read", "rectify", "net", "centres", "motif")


def write_photograph(folder: Path, size_px: tuple[int, int], wall_mm: tuple[float, float], *, seed: int) -> None:
    """A photograph of `independent_scene` as JPEG, and where its control points are."""
    scene = make_scene(Recipe(seed=seed, width=wall_mm[0], height=wall_mm[1], photo_px=size_px))
    cv2.imwrite(str(folder / "photo.jpg"), scene.photo[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 92])
    control = {"px": scene.control_px.tolist(), "mm": scene.control_mm.tolist(), "n_sites": len(scene.index)}
    (folder / "control.json").write_text(json.dumps(control))


class Account:
    """Processor and wall seconds of each step, and the most memory in MB that was held during it."""

    def __init__(self) -> None:
        self.steps: dict[str, tuple[float, float, float]] = {}
        self._start()

    def _start(self) -> None:
        if (MEMORY / "clear_refs").exists():
            (MEMORY / "clear_refs").write_text("5")  # the peak starts anew
        self._began = time.process_time(), time.perf_counter()

    def note(self, step: str) -> None:
        cpu_s, wall_s = time.process_time() - self._began[0], time.perf_counter() - self._began[1]
        self.steps[step] = cpu_s, wall_s, peak_mb()
        self._start()


def peak_mb() -> float:
    lines = (MEMORY / "status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM")) / 1024


def go_the_way(path: Path, control: PointControl, account: Account) -> None:
    """Read, rectify, find net and centres, build the motif."""
    photo = read_photo(path)
    account.note("read")
    plane = rectify(photo, control)
    account.note("rectify")
    nets = find_nets(plane.picture)
    account.note("net")
    centres = find_centres(plane.picture, nets.candidates[0], covariance_mm2=plane.covariance_mm2)
    account.note("centres")
    motif = build_motif([(plane.picture, centres)])
    account.note("motif")
    assert motif.n_examples > 3


def go_without_us(path: Path, account: Account) -> None:
    """Decoding, one cubic warp, one matched filter with its peaks."""
    image = cv2.imread(str(path))
    account.note("decode")
    height, width = image.shape[:2]
    tilt = np.array([[1.0, 0.01, 3.0], [-0.01, 1.0, 3.0], [1e-6, 0.0, 1.0]])
    warped = cv2.warpPerspective(image, tilt, (width, height), flags=cv2.INTER_CUBIC)
    account.note("warp")
    light = cv2.cvtColor(warped, cv2.COLOR_BGR2GRAY).astype(np.float32) / 255
    y, x = height // 2, width // 2
    found = match_template(light, light[y : y + 128, x : x + 128], pad_input=True)
    account.note("matched filter")
    peak_local_max(found, min_distance=40, threshold_abs=0.3)
    account.note("peaks")


def main(folder: Path, profile: Path | None) -> None:
    given = json.loads((folder / "control.json").read_text())
    n = len(given["px"])
    control = PointControl(
        names=tuple(map(str, range(n))),
        xy_px=np.array(given["px"]),
        xy_mm=np.array(given["mm"]),
        sd_mm=np.full(n, 0.3),
        sd_px=0.4,
    )
    general = Account()
    go_without_us(folder / "photo.jpg", general)
    own, profiler = Account(), cProfile.Profile(time.process_time)
    if profile is None:
        go_the_way(folder / "photo.jpg", control, own)
    else:
        profiler.runcall(go_the_way, folder / "photo.jpg", control, own)
        with profile.open("w") as text:
            pstats.Stats(profiler, stream=text).strip_dirs().sort_stats("tottime").print_stats(25)
    print(json.dumps({"general": general.steps, "own": own.steps}))


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]) if len(sys.argv) > 2 else None)
