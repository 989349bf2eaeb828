"""How fast, beside the general pieces that a user would otherwise take, and how much memory each stage holds.

The figures asked for are printed by `python tests/figures_of_speed.py`; here stand what must hold on any machine, at a
reduced size, and the benchmarks of pytest-benchmark (`pytest -m benchmark -s tests/test_speed.py`).
"""

from pathlib import Path

import figures_of_speed
import pytest
from figures_of_speed import direct_difference, library_correlation, masked_scene, own_correlation, show, stages
from stages_of_a_photograph import MEMORY, STAGES

READ_MB = 330.0
"""What Python, the libraries and a small photograph hold; the matched filter of scikit-image has just left."""
MB_PER_MEGAPIXEL = {"rectify": 25.0, "net": 60.0, "centres": 125.0, "motif": 200.0}
"""More than that; measured at 1.5 megapixels: 14, 43, 100 to 110 and 165 to 187, as the threads meet. Most of it is the
same for any size of photograph."""
LARGE_MB = 1200.0
"""At 24 megapixels and 260 motifs; measured: 898 to 983, as the threads meet."""


def test_masked_autocorrelation_agrees_with_direct_sums():
    assert direct_difference() < 1e-5


@pytest.mark.skipif(not (MEMORY / "clear_refs").exists(), reason="peaks are read from Linux's /proc")
def test_no_stage_holds_more_than_its_share():
    """Ceilings are per megapixel, so that the small photograph speaks for the large one."""
    measured = stages((1500, 1000), (620.0, 414.0))["own"]
    read = measured["read"][2]
    assert read < READ_MB
    for stage, per_megapixel in MB_PER_MEGAPIXEL.items():
        held = measured[stage][2] - read
        assert held < 1.5 * per_megapixel, f"{stage} held {held:.0f} MB more, ceiling {1.5 * per_megapixel:.0f} MB"


@pytest.mark.benchmark(group="masked autocorrelation")
@pytest.mark.parametrize("way", [own_correlation, library_correlation], ids=["fragkit", "scikit-image"])
def test_speed_of_masked_autocorrelation(benchmark, way):
    benchmark.pedantic(way, masked_scene(1), rounds=3, warmup_rounds=1)


@pytest.mark.benchmark(group="whole table")
def test_speed_of_everything(benchmark, tmp_path):
    """One round: file to motif at 24 megapixels with its profile, and the whole table of figures."""
    profile = Path(tmp_path / "profile.txt")
    large = benchmark.pedantic(stages, ((6000, 4000), (1500.0, 1000.0)), rounds=1)
    rows = figures_of_speed.correlation_rows() + figures_of_speed.command_rows()
    rows += figures_of_speed.stage_rows("24 megapixels", 6.0, large, 1200.0)
    stages((1224, 816), (620.0, 470.0), profile)
    print("\n" + show(rows) + "\n" + profile.read_text())
    assert max(large["own"][stage][2] for stage in STAGES) < LARGE_MB
