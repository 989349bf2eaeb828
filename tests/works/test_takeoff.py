import pytest
from works_room import oblong, room, wall

from fragkit.survey.entries import PriceEntry, WorksEntry
from fragkit.works import take_off


def test_counts_by_hand(plain_room, hop_cone):
    # margin 3: piece 42 mm, one from an 80 mm leaf; edge piece 42 × 26 mm, three flat and one upright
    taken = take_off(plain_room, hop_cone, WorksEntry(metal="gold", margin_mm=3.0))
    assert taken.n_motifs == plain_room.n_motifs == 105
    assert [(cut.form, cut.n_motifs, cut.pieces_per_leaf) for cut in taken.forms] == [
        ("whole", 103, 1),
        ("edge-1", 2, 4),
    ]
    assert taken.n_leaves_cut == 104
    assert (taken.n_leaves_spoilt, taken.n_leaves_reserve) == (11, 6)
    assert taken.n_leaves == 121
    assert taken.n_books == 5
    assert taken.n_leaves_by_area == pytest.approx((103 * 36 * 36 + 2 * 36 * 20) / 6400, abs=1e-9)


def test_two_mm_less_margin_saves_three_leaves_in_four(plain_room, hop_cone):
    taken = take_off(plain_room, hop_cone, WorksEntry(metal="gold", margin_mm=2.0))
    assert taken.forms[0].pieces_per_leaf == 4
    # 25 full leaves; 3 whole and 2 edge pieces left over need places of 40 × 40 mm, four from a leaf
    assert taken.n_leaves_cut == 25 + 2


def test_leftovers_share_a_leaf(hop_cone):
    forms = {name: {"metal": (oblong(30, 30),)} for name in ("whole", "edge-1", "edge-2")}
    layout = room([wall(["whole", "edge-1", "edge-2"], [1.0, 1.0, 1.0])], forms)
    taken = take_off(layout, hop_cone, WorksEntry(metal="gold", margin_mm=3.0))
    assert [cut.pieces_per_leaf for cut in taken.forms] == [4, 4, 4]
    assert taken.n_leaves_cut == 1


def test_reduced_motifs_are_counted_at_their_own_size(hop_cone):
    layout = room([wall(["whole"] * 8, [1.0] * 4 + [0.9] * 4)], {"whole": {"metal": (oblong(36, 36),)}})
    taken = take_off(layout, hop_cone, WorksEntry(metal="gold", margin_mm=3.0))
    assert [(cut.scale_ratio, cut.pieces_per_leaf) for cut in taken.forms] == [(0.9, 4), (1.0, 1)]
    assert taken.n_leaves_cut == 1 + 4


def test_motif_larger_than_a_leaf_is_tiled_with_laps(hop_cone):
    layout = room([wall(["whole"] * 10, [1.0] * 10)], {"whole": {"metal": (oblong(150, 90),)}})
    taken = take_off(layout, hop_cone, WorksEntry(metal="gold", margin_mm=4.0))
    # 158 × 98 mm: ceil(156/78) · ceil(96/78) = 2 · 2
    assert taken.forms[0].leaves_per_motif == 4
    assert taken.n_leaves_cut == 40
    assert taken.cutting is None
    assert "edge over edge" in taken.next_step
    assert any(assumption.name == "lap of leaf over leaf" for assumption in taken.assumptions)


def test_default_margin_is_a_marked_assumption(plain_room, hop_cone):
    taken = take_off(plain_room, hop_cone, WorksEntry(metal="gold"))
    assert taken.margin_mm == 4.0
    assert [a.source for a in taken.assumptions if a.name == "margin when cutting"] == [
        "common practice, not confirmed by a source"
    ]
    stated = take_off(plain_room, hop_cone, WorksEntry(metal="gold", margin_mm=4.0))
    assert not any(a.name == "margin when cutting" for a in stated.assumptions)


def test_next_step_in_words(plain_room, hop_cone):
    # box 36 on 80 mm: four pieces up to a margin of 2 mm (by hand); at margin 3, motif must shrink to 34 mm
    taken = take_off(plain_room, hop_cone, WorksEntry(metal="gold", margin_mm=3.0))
    assert taken.next_step.startswith("1 from a leaf; 4 with a margin of 2.0 mm or less")
    assert "4 if the motif were 5.6 % smaller" in taken.next_step


def test_step_near_the_outline_spread_is_a_doubt(plain_room, hop_cone):
    near = take_off(plain_room, hop_cone, WorksEntry(metal="gold", margin_mm=2.5))
    far = take_off(plain_room, hop_cone, WorksEntry(metal="gold", margin_mm=3.5))
    assert any("cut a trial leaf" in note for note in near.notes)
    assert not any("cut a trial leaf" in note for note in far.notes)
    hop_cone.shape_spread_mm = None  # too few examples to measure it
    unknown = take_off(plain_room, hop_cone, WorksEntry(metal="gold", margin_mm=2.5))
    assert not any("cut a trial leaf" in note for note in unknown.notes)


def test_metals_side_by_side(plain_room, hop_cone):
    taken = take_off(plain_room, hop_cone, WorksEntry(metal="silver", leaf_side_mm=(109.0, 109.0), margin_mm=3.0))
    rows = {row.metal: row for row in taken.metals}
    assert set(rows) == {"gold", "silver", "palladium", "platinum", "aluminium", "brass", "copper"}
    assert rows["silver"].stated
    assert rows["silver"].leaf_mm == (109.0, 109.0)
    assert (rows["silver"].n_leaves, rows["silver"].n_books) == (taken.n_leaves, taken.n_books)
    gold = take_off(plain_room, hop_cone, WorksEntry(metal="gold", margin_mm=3.0))
    assert (rows["gold"].n_leaves, rows["gold"].n_books) == (gold.n_leaves, gold.n_books)
    assert rows["brass"].mass_g is None  # no published mass, no thickness in practice either
    area_m2 = rows["palladium"].n_leaves * 0.08**2
    # 0.15 to 0.25 µm of 12.02 g/cm³, by hand
    assert rows["palladium"].mass_g == pytest.approx((0.15 * 12.02 * area_m2, 0.25 * 12.02 * area_m2), rel=1e-9)
    assert "common practice" in rows["palladium"].mass_source
    low, high = rows["gold"].mass_g
    assert (low, high) == pytest.approx((0.012 * rows["gold"].n_leaves, 0.016 * rows["gold"].n_leaves), rel=1e-9)


def test_no_metal_stated_is_said(plain_room, hop_cone):
    taken = take_off(plain_room, hop_cone, WorksEntry())
    assert taken.metal is None
    assert any("No leaf metal is stated" in note for note in taken.notes)


def test_unlisted_metal_with_its_own_format(plain_room, hop_cone):
    entry = WorksEntry(metal="moon gold 22 ct special", leaf_side_mm=(80.0, 80.0), leaves_per_book=20)
    assert take_off(plain_room, hop_cone, entry).leaves_per_book == 20
    with pytest.raises(ValueError, match="No leaf metal 'tombac'"):
        take_off(plain_room, hop_cone, WorksEntry(metal="tombac"))


def test_negative_margin_is_refused(plain_room, hop_cone):
    with pytest.raises(ValueError, match="margin_mm is -1"):
        take_off(plain_room, hop_cone, WorksEntry(metal="gold", margin_mm=-1.0))


def test_hole_is_no_metal(hop_cone):
    layout = room([wall(["whole"], [1.0])], {"whole": {"metal": (oblong(40, 40), oblong(20, 20))}})
    taken = take_off(layout, hop_cone, WorksEntry(metal="gold"))
    assert taken.metal_area_m2 == pytest.approx((1600 - 400) * 1e-6, abs=1e-12)


def test_no_motifs_need_no_leaf(hop_cone):
    taken = take_off(room([wall([], [])], {"whole": {"metal": (oblong(36, 36),)}}), hop_cone, WorksEntry(metal="gold"))
    assert (taken.n_motifs, taken.n_leaves, taken.n_books) == (0, 0, 0)


def test_shows_itself(plain_room, hop_cone):
    taken = take_off(plain_room, hop_cone, WorksEntry(metal="gold", margin_mm=3.0))
    assert repr(taken) == "TakeOff(105 motifs, 121 leaves, 5 books)"
    assert "By cutting" in taken._repr_html_()
    assert "pieces from one leaf" in taken.cutting._repr_html_()


def test_lobes_cut_separately_against_the_whole_box(hop_cone):
    # a ring of four lobes 20 × 20 mm at the corners of a box 80 × 80: one leaf a motif whole (margin 0), and 16 lobes
    # from a leaf when cut separately, so 4 motifs a leaf
    lobes = tuple(oblong(20, 20) + [x, y] for x in (-30, 30) for y in (-30, 30))
    layout = room([wall(["whole"] * 8, [1.0] * 8)], {"whole": {"metal": lobes}})
    whole = take_off(layout, hop_cone, WorksEntry(metal="gold", margin_mm=0.0))
    assert (whole.parting.n_leaves_whole, whole.parting.n_leaves_parts, whole.parting.n_parts) == (8, 2, 4)
    assert whole.n_leaves_cut == 8
    assert whole.parting.words.startswith("Cheaper in leaf: cutting the 4 parts")
    parts = take_off(layout, hop_cone, WorksEntry(metal="gold", margin_mm=0.0, cut="parts"))
    assert (parts.n_leaves_cut, parts.n_motifs) == (2, 8)
    assert [(cut.n_motifs, cut.pieces_per_leaf) for cut in parts.forms] == [(32, 16)]


def test_lobes_that_lie_close_are_cheaper_whole(hop_cone):
    lobes = (oblong(30, 14) + [0, 8], oblong(30, 14) - [0, 8])
    layout = room([wall(["whole"] * 8, [1.0] * 8)], {"whole": {"metal": lobes}})
    taken = take_off(layout, hop_cone, WorksEntry(metal="gold", margin_mm=4.0))
    assert taken.parting.words.startswith("Cheaper in leaf: the whole box")
    assert taken.forms[0].pieces_per_leaf == 4


def test_motif_of_one_piece_has_nothing_to_part(plain_room, hop_cone):
    assert take_off(plain_room, hop_cone, WorksEntry(metal="gold")).parting is None


def test_offcuts(hop_cone):
    layout = room([wall(["whole"] * 4, [1.0] * 4)], {"whole": {"metal": (oblong(30, 30),)}})
    taken = take_off(layout, hop_cone, WorksEntry(metal="gold", margin_mm=3.0))
    assert taken.scrap_area_m2 == pytest.approx((80 * 80 - 4 * 36 * 36) * 1e-6, abs=1e-12)


def test_allowances_as_stated(plain_room, hop_cone):
    entry = WorksEntry(metal="gold", margin_mm=3.0, spoilage_ratio=0.0, reserve_ratio=0.25)
    taken = take_off(plain_room, hop_cone, entry)
    assert (taken.n_leaves_spoilt, taken.n_leaves_reserve, taken.n_leaves) == (0, 26, 130)
    assert not taken.assumptions


def leaf(item, side_mm, book=25):
    return PriceEntry(item=item, unit="book", price=40.0, currency="EUR", side_mm=side_mm, leaves_per_book=book)


def test_mixed_formats_are_warned_about(plain_room, hop_cone):
    prices = (leaf("gold leaf A", 80.0), leaf("gold leaf B", 86.0), leaf("silver leaf", 95.0))
    taken = take_off(plain_room, hop_cone, WorksEntry(metal="gold", prices=prices))
    assert any("MIXED FORMATS: gold leaf of 80 mm and 86 mm" in note for note in taken.notes)
    one = take_off(plain_room, hop_cone, WorksEntry(metal="gold", prices=prices[::2]))
    assert not any("MIXED" in note for note in one.notes)


def test_format_of_the_price_list_is_taken(plain_room, hop_cone):
    taken = take_off(plain_room, hop_cone, WorksEntry(metal="gold", prices=(leaf("gold leaf", 91.5, 60),)))
    assert (taken.leaf_mm, taken.leaves_per_book) == ((91.5, 91.5), 60)
    assert taken.format_source == "as offered in the price list"
    silver = next(row for row in taken.metals if row.metal == "silver")
    assert silver.leaf_mm == (95.0, 95.0)
