"""More than one plain net: single rows, an older scheme under a newer one, motifs in turn; a boxed example; doubts."""

import numpy as np
import pytest
from ladder import draw_rung, same_net
from scheme_scene import frieze, in_turn, two_schemes

from fragkit.net import find_nets

FLIP = np.array([1.0, -1.0])  # pixels run down, the plane up


def test_a_single_row_is_a_frieze_of_one_step():
    nets = find_nets(frieze(21))
    assert nets.best.net_type == "frieze"
    assert "single row" in nets.notes[0]
    np.testing.assert_allclose(nets.best.a_mm, [62.0, -0.03 * 62.0], rtol=0, atol=0.6)  # 14 copies, lags of whole px
    assert abs(nets.best.a_mm @ nets.best.b_mm) < 1e-6 * nets.best.cell_area_mm2
    assert np.hypot(*nets.best.b_mm) >= 420


def test_an_older_scheme_is_reported_beside_the_newer_one():
    nets = find_nets(two_schemes(22))
    assert same_net(nets.best.a_mm, nets.best.b_mm, np.array([64.0, 0.0]), np.array([0.0, 64.0]))
    turn = np.radians(4.0)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    older = [(rotation @ v) * FLIP for v in ([90.0, 0.0], [45.0, 78.0])]
    assert len(nets.unexplained) == 1
    assert same_net(nets.unexplained[0].a_mm, nets.unexplained[0].b_mm, *older)
    assert "carries another" in " ".join(nets.notes)
    assert "Another repeat" in nets._repr_html_()


def test_motifs_in_turn_give_the_doubled_net_and_say_so():
    nets = find_nets(in_turn(23))
    assert same_net(nets.best.a_mm, nets.best.b_mm, np.array([60.0, 60.0]), np.array([60.0, -60.0]))
    assert any("Every second motif differs" in note for note in nets.notes)
    assert nets.unexplained == ()


def test_one_plain_scheme_has_neither_note_nor_second_repeat():
    nets = find_nets(draw_rung("mild", 8, side_px=600).pixels)
    assert nets.decided
    assert nets.unexplained == ()
    assert nets.notes == ()


def test_a_boxed_example_takes_part_and_must_fit_the_picture():
    rung = draw_rung("easy", 9, side_px=600)
    noise = np.random.default_rng(9).standard_normal(rung.pixels.shape)
    faint = rung.pixels + 0.8 * noise
    half = rung.ornament.shape[0] // 2
    patch = np.s_[300 - half : 300 + half + 1, 300 - half : 300 + half + 1]
    faint[patch] = rung.ornament  # one copy that shows well, such as a cleaned one
    box = (300.0 - half, -(300.0 - half), 300.0 + half, -(300.0 + half))
    assert _right(rung, faint, box)
    with pytest.raises(ValueError, match="two opposite corners round one motif"):
        find_nets(faint, example_mm=(0.0, 0.0, 2.0, -2.0))
    with pytest.raises(ValueError, match="not a box inside the picture"):
        find_nets(faint, example_mm=(500.0, -100.0, 700.0, -200.0))


def _right(rung, pixels, box) -> bool:
    nets = find_nets(pixels, example_mm=box)
    return any(same_net(net.a_mm, net.b_mm, rung.a_px * FLIP, rung.b_px * FLIP) for net in nets.candidates)


def test_a_faint_repeat_is_not_stated_firmly():
    rung = draw_rung("very hard", 30019)
    nets = find_nets(rung.pixels)
    assert not nets.decided
    assert any("faintly" in note for note in nets.notes)
    assert len(nets.candidates) > 1
