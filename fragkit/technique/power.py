"""How many motifs, or what measurement error, would settle how an area was placed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from fragkit.card import card
from fragkit.sketch import sketch_bars
from fragkit.technique.calibration import calibrate_placing
from fragkit.technique.likelihoods import Evidence, net_sieve
from fragkit.technique.positions import weigh_positions
from fragkit.technique.priors import PLACINGS, SCATTER_MM, Priors
from fragkit.units import in_fives, in_percent

IntArray = NDArray[np.int_]

SETTLED_SHARE = 0.8
NARROW_LOG_SD = 0.05
MOST_CONNECTED = 100
"""No larger area is simulated for the outlook; more motifs than this are not weighed either."""


@dataclass(frozen=True, eq=False, kw_only=True)
class PowerRow:
    """What one number of motifs at one measurement error achieves.

    Attributes
    ----------
    n_motifs : int
    sd_mm : float
        Measurement error per coordinate, one standard deviation.
    settled_ratio : mapping of str to float
        For every way of placing the share of its simulated sets that is named firmly and rightly.
    wrong_firm_ratio : float
        Share of all sets that is named firmly and wrongly.
    """

    n_motifs: int
    sd_mm: float
    settled_ratio: Mapping[str, float]
    wrong_firm_ratio: float


@dataclass(frozen=True, eq=False, kw_only=True)
class Power:
    """What would settle the placing: one row for each number of motifs and measurement error.

    Attributes
    ----------
    rows : tuple of PowerRow
    scatter_mm : float
        Placing scatter that was assumed.
    n_sets : int
        Simulated sets of each way of placing, behind every share.
    """

    rows: tuple[PowerRow, ...]
    scatter_mm: float
    n_sets: int

    def motifs_needed(self, placing: str, *, sd_mm: float) -> int | None:
        """Fewest motifs with which four in five sets of this placing are settled; None if none of those tried."""
        if placing not in PLACINGS:
            raise ValueError(f"placing is {placing!r}; use one of {', '.join(PLACINGS)}")
        fits = [r.n_motifs for r in self.rows if r.sd_mm == sd_mm and r.settled_ratio[placing] >= SETTLED_SHARE]
        return min(fits, default=None)

    def __repr__(self) -> str:
        return f"<Power scatter {self.scatter_mm:.2g} mm, {len(self.rows)} cases>"

    def _repr_html_(self) -> str:
        rows = [
            (
                f"{row.n_motifs} motifs, each to {row.sd_mm:.2g} mm",
                "; ".join(
                    f"{name} {in_percent(share, n_tried=self.n_sets)}" for name, share in row.settled_ratio.items()
                ),
            )
            for row in self.rows
        ]
        weights = Priors().placing
        all_ways = {
            f"{row.n_motifs} motifs, {row.sd_mm:.2g} mm": 100.0
            * sum(weights[name] * share for name, share in row.settled_ratio.items())
            for row in self.rows
        }
        drawn = sketch_bars("Settled, all ways of placing together", all_ways, unit="%")
        title = f"Settled firmly and rightly, at a placing scatter of {self.scatter_mm:.2g} mm"
        return card(title, rows, drawing=drawn)


def power(
    n_motifs: Sequence[int],
    sd_mm: Sequence[float],
    *,
    rng: np.random.Generator,
    scatter_mm: float = SCATTER_MM[0],
    spacing_mm: tuple[float, float] = (100.0, 100.0),
    n_sets: int = 30,
) -> Power:
    """Share of simulated areas whose placing would be settled, for numbers of motifs and measurement errors.

    Parameters
    ----------
    n_motifs : sequence of int
        Connected motifs, in a nearly square area; 6 to 200.
    sd_mm : sequence of float
        Measurement error per coordinate.
    rng : numpy.random.Generator
    scatter_mm : float
        Placing scatter expected: of a motif on lines, a step, a plate's shift, a print's swing.
    spacing_mm : (float, float)
        Between motifs across and down.
    n_sets : int
        Simulated sets of each way of placing.

    Notes
    -----
    Each case is weighed exactly as `weigh_technique` weighs a fragment; a share has an sd of √(p(1 − p)/n_sets).
    """
    if not n_motifs or min(n_motifs) < 6 or max(n_motifs) > 200:
        raise ValueError(f"n_motifs is {list(n_motifs)}; give numbers from 6 to 200")
    if not sd_mm or min(sd_mm) <= 0.0:
        raise ValueError(f"sd_mm is {list(sd_mm)}; give errors above 0 mm")
    cases = [(n, sd) for n in n_motifs for sd in sd_mm]
    return _power(cases, scatter_mm, spacing_mm, n_sets, rng)


def outlook(
    n_motifs: int,
    sd_mm: float,
    *,
    scatter_mm: float,
    spacing_mm: tuple[float, float],
    n_sets: int,
    rng: np.random.Generator,
) -> Power:
    """What an area like the one in hand achieves: as it is, twice and four times as large, and measured twice as well.

    Parameters
    ----------
    n_motifs : int
        Connected motifs in hand.
    sd_mm, scatter_mm, spacing_mm, n_sets, rng
        As in `power`.
    """
    now = int(np.clip(n_motifs, 6, MOST_CONNECTED))
    larger = [(min(factor * now, MOST_CONNECTED), sd_mm) for factor in (1, 2, 4)]
    cases = list(dict.fromkeys([*larger, (now, 0.5 * sd_mm)]))
    return _power(cases, float(np.clip(scatter_mm, 0.05, 20.0)), spacing_mm, n_sets, rng)


def outlook_in_words(found: Power, posterior: Mapping[str, float]) -> str:
    """The outlook in a sentence without its stop; each way of placing counts by its posterior."""
    shares = [sum(posterior[name] * row.settled_ratio[name] for name in PLACINGS) for row in found.rows]
    (first, now), *others = zip(found.rows, shares, strict=True)
    parts = [
        f"of {row.n_motifs} in {in_fives(share)}"
        if row.sd_mm == first.sd_mm
        else f"of {row.n_motifs} measured to {row.sd_mm:.2g} mm in {in_fives(share)}"
        for row, share in others
    ]
    words = (
        f"in simulations one connected area of {first.n_motifs} motifs like these is settled rightly in about "
        f"{in_fives(now)}, {', '.join(parts)}"
    )
    if max(shares) >= SETTLED_SHARE:
        return words
    return f"{words}; places alone will hardly settle it, so look for the marks of tools"


def _power(
    cases: Sequence[tuple[int, float]],
    scatter_mm: float,
    spacing_mm: tuple[float, float],
    n_sets: int,
    rng: np.random.Generator,
) -> Power:
    expected = Priors(scatter_mm=dict.fromkeys(PLACINGS, (scatter_mm, NARROW_LOG_SD)))
    rows = tuple(_row(n, sd, spacing_mm, n_sets, expected, rng) for n, sd in cases)
    return Power(rows=rows, scatter_mm=scatter_mm, n_sets=n_sets)


def _row(
    n_motifs: int,
    sd_mm: float,
    spacing_mm: tuple[float, float],
    n_sets: int,
    expected: Priors,
    rng: np.random.Generator,
) -> PowerRow:
    sites = np.array(list(_square(n_motifs)))
    root = sd_mm * np.eye(2 * n_motifs)
    area = Evidence(
        sites=sites,
        places_mm=sites * np.array(spacing_mm),
        offsets_mm=np.zeros((n_motifs, 2)),
        noise_root=root,
        sieve=net_sieve(sites, root)[1],
        drift=None,
    )
    table = weigh_positions([area], spacing_mm=spacing_mm, n_each=n_sets, rng=rng, drawn_from=expected)
    priors = Priors()
    shares = calibrate_placing(table, table.evidence(priors)[1][:, 1:], priors, reweighted=False)
    return PowerRow(
        n_motifs=n_motifs,
        sd_mm=float(sd_mm),
        settled_ratio=MappingProxyType({name: shares[name] for name in PLACINGS}),
        wrong_firm_ratio=shares["wrong_firm_ratio"],
    )


def _square(n: int) -> Iterator[tuple[int, int]]:
    """n sites in rows of about √n."""
    columns = int(np.ceil(np.sqrt(n)))
    for k in range(n):
        yield k % columns, k // columns
