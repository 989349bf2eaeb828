"""`python -m fragkit.simulate FOLDER`: write a simulated study."""

from __future__ import annotations

import argparse
from pathlib import Path

from fragkit.simulate import MOTIFS, NETS, SAMPLE_SEED, simulate_study


def main() -> None:
    """Write the study that the command line asks for, and its truth if asked."""
    parser = argparse.ArgumentParser(
        prog="python -m fragkit.simulate",
        description="Write a study folder of simulated photographs whose true repeat is known.",
    )
    parser.add_argument("folder", type=Path, help="a new or empty folder")
    parser.add_argument("--seed", type=int, default=SAMPLE_SEED, help="same seed, same study (%(default)s)")
    parser.add_argument("--motif", choices=tuple(MOTIFS), default="hop cone")
    parser.add_argument("--net", choices=tuple(NETS), default="half-drop")
    parser.add_argument("--truth", type=Path, help="also write what is true, as JSON")
    call = parser.parse_args()
    truth = simulate_study(call.folder, seed=call.seed, motif=call.motif, net=NETS[call.net])
    if call.truth is not None:
        call.truth.write_text(truth.as_json(), encoding="utf-8")
    print(f"{truth!r} written to {call.folder}")


if __name__ == "__main__":
    main()
