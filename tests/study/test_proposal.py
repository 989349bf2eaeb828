"""A typed repeat takes the place of the measured one, and says what it overrides."""

import numpy as np

from fragkit.lattice import Pooled
from fragkit.study.proposal import adopt_proposal
from fragkit.survey import ProposalEntry

MEASURED = Pooled(
    across_mm=62.0,
    down_mm=78.0,
    offset_ratio=0.5,
    cov=np.diag([0.01, 0.01, 1e-4]),
    interval_across_mm=(61.8, 62.2),
    interval_down_mm=(77.8, 78.2),
    interval_new_wall={"across_mm": (61.0, 63.0), "down_mm": (76.5, 79.5), "offset_ratio": (0.48, 0.52)},
    between_sd_mm=np.array([0.4, 0.6]),
    net_type="centred",
    n_fragments=2,
    residual_sd_mm=0.7,
)


def test_without_a_proposal_the_evidence_stands():
    assert adopt_proposal(MEASURED, None) is MEASURED


def test_intervals_move_with_the_typed_repeat_and_the_note_says_so():
    typed = adopt_proposal(
        MEASURED,
        ProposalEntry(across_mm=64.0, down_mm=78.0, offset_ratio=0.0, reason="The pattern book says so."),
    )
    assert (typed.across_mm, typed.down_mm, typed.offset_ratio, typed.basis) == (64.0, 78.0, 0.0, "typed")
    np.testing.assert_allclose(typed.interval_new_wall["across_mm"], (63.0, 65.0), rtol=0, atol=1e-9)  # rounding
    np.testing.assert_allclose(typed.interval_new_wall["offset_ratio"], (-0.02, 0.02), rtol=0, atol=1e-9)
    np.testing.assert_allclose(typed.interval_across_mm, (63.8, 64.2), rtol=0, atol=1e-9)
    assert typed.notes[-1] == (
        "Typed, not measured: 64 mm along the row, 78 mm from row to row, offset 0. The fragments give 62.0 × 78.0 mm, "
        "offset 0.50. Reason given: The pattern book says so."
    )
