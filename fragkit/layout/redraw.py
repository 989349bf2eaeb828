"""An alternative drawn again: the sites of a net that was priced but not laid."""

from __future__ import annotations

from fragkit.layout.easing import wall_rules
from fragkit.layout.fits import Anchor, Fit, Knots
from fragkit.layout.frames import straighten
from fragkit.layout.grounds import Ground, Sites, all_sites
from fragkit.layout.insets import Insets, free_area
from fragkit.layout.results import Alternative, Layout
from fragkit.layout.shapes import WHOLE, make_form


def alternative_sites(layout: Layout, alternative: Alternative) -> Sites:
    """Every site of an alternative on its wall, and whether the whole motif has room there."""
    laid = next(wall for wall in layout.walls if wall.name == alternative.wall)
    ground = Ground(
        wall=laid.wall,
        frame=straighten(laid.wall),
        insets=Insets(free_area(laid.wall)),
        rules=wall_rules(laid.wall, repeat_mm=min(alternative.across_mm, alternative.down_mm)),
        whole=make_form(WHOLE, layout.forms[WHOLE]),
        offset_ratio=laid.offset_ratio,
        follow=alternative.follow,
    )
    return all_sites(ground, _across(alternative), _fit(alternative.origin_mm[1], alternative.down_mm))


def _across(alternative: Alternative) -> Fit:
    knots = None
    if alternative.knots is not None:
        knots = Knots(
            number=alternative.knots[:, 0],
            at_mm=alternative.knots[:, 1],
            stretch_ratio=alternative.stretch_ratio,
            change_ratio=alternative.change_ratio,
        )
    return _fit(alternative.origin_mm[0], alternative.across_mm, knots)


def _fit(start_mm: float, repeat_mm: float, knots: Knots | None = None) -> Fit:
    return Fit(
        anchor=Anchor(kind="redrawn", words="", at_mm=start_mm),
        repeat_mm=repeat_mm,
        start_mm=start_mm,
        line_mm=repeat_mm,
        n_lines=0,
        low_margin_mm=0.0,
        high_margin_mm=0.0,
        within=True,
        knots=knots,
    )
