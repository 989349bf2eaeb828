"""The words and tables of the invented scenario: the Partners' Room of Orrowby Maltings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

import numpy as np

Row = Sequence[object]

SIMULATED = "Simulated: no such room, house, person or firm exists."

TITLE = "The Partners' Room, Orrowby Maltings"
AUTHORS = ("Ingrith Vellacott", "Tam Osgerby")
REGIME = "Wall decoration on lining paper; treated under the rules for architectural finishes."
RECORD_LEVEL = "detailed"

CURRENCY = "XTS"
"""The code that ISO 4217 keeps for tests: the prices are invented."""

PRICES: tuple[Row, ...] = (
    ("silver leaf 95 mm", "book", 21.50, CURRENCY),
    ("gilder's labour", "hour", 38.00, CURRENCY),
    ("distemper for the ground", "m2", 6.40, CURRENCY),
    ("shadow colour", "motif", 0.15, CURRENCY),
    ("setting-out", "day", 290.00, CURRENCY),
)
"""No price for size and none for the scaffold: a budget must show both as gaps."""

PAINTS: tuple[Row, ...] = (
    ("Kiln White", 91.5, 0.4, 5.2),
    ("Maltster's Cream", 84.0, 1.8, 14.6),
    ("Old Floor Stone", 78.2, 2.3, 12.1),
    ("Steep Water Grey", 71.4, -0.8, 5.0),
    ("Barley Straw", 76.8, 5.1, 27.4),
    ("Cooper's Buff", 66.0, 6.6, 21.8),
    ("Wherry Brown", 53.1, 6.9, 16.2),
    ("Peat Smoke", 44.7, 4.2, 10.5),
    ("Green Hop", 58.3, -8.4, 17.9),
)

DECISIONS: tuple[Mapping[str, str], ...] = (
    {
        "what": "Which layer is reconstructed",
        "choice": "The first scheme in leaf on pale distemper",
        "reason": "It is the only scheme found on both walls, and it lies directly on the lining paper.",
        "evidence": "Uncoverings press, pier and settle",
        "who": AUTHORS[0],
        "date": "2024-05-14",
    },
    {
        "what": "Metal of the new leaf",
        "choice": "Silver, coated",
        "reason": "The dark corrosion is that of silver; to be confirmed by analysis before leaf is ordered.",
        "evidence": "Appearance only",
        "who": AUTHORS[1],
        "date": "2024-05-21",
    },
    {
        "what": "Motifs at the chimneypiece",
        "choice": "A motif stands on its axis",
        "reason": "The tip of one motif was seen on the axis above the shelf before it was painted over.",
        "evidence": "Note of 1987, no photograph",
        "who": AUTHORS[0],
        "date": "2024-06-03",
    },
)


def trial_panel(rng: np.random.Generator, n_motifs: int = 24) -> tuple[Row, ...]:
    """Timed trial: motif number and minutes, with a learning curve that flattens and one interruption."""
    number = np.arange(1, n_motifs + 1)
    minutes = (5.6 + 7.0 * number**-0.6) * np.exp(rng.normal(0.0, 0.1, n_motifs))
    minutes[n_motifs // 2] += 4.0
    return tuple((int(n), round(float(m), 1)) for n, m in zip(number, minutes, strict=True))


WORKS: Mapping[str, object] = MappingProxyType(
    {
        "metal": "silver",
        "leaf_side_mm": [95.0, 95.0],
        "leaves_per_book": 25,
        "margin_mm": 3.0,
        "prices": "prices.csv",
        "trial": "trial.csv",
        "crew": 2,
        "hours_per_day": 6.5,
        "instruments": ["tape class II", "cross-line laser", "spirit level"],
    }
)
