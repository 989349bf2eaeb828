import csv
import json
from pathlib import Path

import pytest

from fragkit.works import METALS, areal_mass_g_m2, find_metal, overlap_factor, thickness_um

REFERENCE = Path(__file__).resolve().parents[1] / "reference" / "materials"


def test_densities_agree_with_two_packages():
    """CRC Handbook values as in periodictable 2.1 and mendeleev 1.3; handbooks differ by up to 0.5 %."""
    with (REFERENCE / "metal_density.csv").open(encoding="utf-8") as stream:
        published = {row["name"]: row for row in csv.DictReader(stream)}
    checked = [name for name in METALS if name in published]
    assert set(checked) >= {"gold", "silver", "palladium", "platinum", "aluminium", "copper"}
    for name in checked:
        for column in ("density_g_cm3_periodictable", "density_g_cm3_mendeleev"):
            assert METALS[name].density_g_cm3 == pytest.approx(float(published[name][column]), rel=0.005)


@pytest.mark.parametrize(
    ("side_mm", "mass_g", "density", "um", "g_m2"),
    [
        # computed from grades published by a supplier (12-16 g, up to 20 g per 1000 leaves of 80 mm)
        (80, 12, 19.3, 0.097, 1.88),
        (80, 14, 19.3, 0.113, 2.19),
        (80, 16, 19.3, 0.130, 2.50),
        (80, 20, 19.3, 0.162, 3.13),
        (80, 28, 10.5, 0.417, 4.38),
        (95, 28, 10.5, 0.296, 3.10),
    ],
)
def test_thickness_table(side_mm, mass_g, density, um, g_m2):
    assert thickness_um(mass_g, (side_mm, side_mm), density) == pytest.approx(um, rel=0.01)
    assert areal_mass_g_m2(mass_g, (side_mm, side_mm)) == pytest.approx(g_m2, rel=0.01)


def test_thickness_stated_by_a_goldbeater():
    """60 leaves of 91.5 mm weigh 1.25 g and are stated as 0.125 µm: eytzinger.com, thickness of gold leaf."""
    checks = json.loads((REFERENCE / "leaf_count_checks.json").read_text(encoding="utf-8"))["checks"]
    case = next(check for check in checks if check["name"] == "thickness from mass")
    mass_per_1000 = 1000 * case["mass_g"] / case["leaves"]
    found = thickness_um(mass_per_1000, (case["leaf_mm"], case["leaf_mm"]), METALS["gold"].density_g_cm3)
    assert found == pytest.approx(case["thickness_um"], rel=1e-9)
    assert found == pytest.approx(0.125, rel=0.035)


@pytest.mark.parametrize(("side_mm", "factor"), [(80, 1.052), (86, 1.048), (95, 1.043), (140, 1.029)])
def test_overlap_factors_for_two_mm_laps(side_mm, factor):
    """(s / (s - 2))², by hand; the 2 mm lap is a supplier's, goldleafsupplies.co.uk."""
    assert overlap_factor((side_mm, side_mm), 2.0) == pytest.approx(factor, abs=1e-3)


def test_55_leaves_of_140_mm_per_square_metre():
    """A supplier's allowance, obeeliks.com: 55 leaves a square metre is 1.078 times the bare area."""
    leaf_mm = METALS["brass"].leaf_mm
    area_m2 = leaf_mm[0] * leaf_mm[1] * 1e-6
    assert 55 * area_m2 == pytest.approx(1.078, abs=1e-3)
    assert 1.0 < 55 * area_m2 / overlap_factor(leaf_mm, 2.0) < 1.05  # laps of 2 mm and a little waste


def test_default_gold_book_covers_what_the_supplier_states():
    """25 leaves of 80 mm cover 0.16 m² without laps: handover.co.uk, Gold & Metal Leaf (2021)."""
    gold = METALS["gold"]
    assert gold.leaves_per_book * gold.leaf_mm[0] * gold.leaf_mm[1] * 1e-6 == pytest.approx(0.16, abs=1e-9)


@pytest.mark.parametrize(
    ("name", "metal"), [("Gold leaf 23 ct", "gold"), ("Dutch metal", "brass"), ("silver", "silver")]
)
def test_metal_by_its_trade_names(name, metal):
    assert find_metal(name).name == metal


def test_unknown_metal_lists_the_known_ones():
    with pytest.raises(ValueError, match="No leaf metal 'unobtainium' is listed; listed are gold, silver"):
        find_metal("unobtainium")


def test_lap_wider_than_the_leaf():
    with pytest.raises(ValueError, match="A lap of 90 mm on a leaf of 80 × 80 mm"):
        overlap_factor((80, 80), 90)


def test_published_books_and_packs():
    """Suppliers' covers: see the addresses in leaf_and_book_sizes.csv."""
    checks = json.loads((REFERENCE / "leaf_count_checks.json").read_text(encoding="utf-8"))["checks"]
    named = {check["name"]: check for check in checks}
    book = named["American book, no overlap"]
    area_sq_ft = book["leaves"] * book["leaf_in"][0] * book["leaf_in"][1] / 144
    assert area_sq_ft == pytest.approx(book["area_sq_ft"], rel=1e-9)
    # with laps of 2 mm a book covers 1.89 sq ft; the 1.5 that the supplier states has waste in it too
    lapped = area_sq_ft / overlap_factor((85.725, 85.725), 2.0)
    assert book["stated_with_lap_and_waste_sq_ft"] < lapped < area_sq_ft
    pack = named["500 leaves cover 3.67 m2"]
    assert pytest.approx(pack["implied_square_leaf_mm"], abs=1e-6) == (3.67e6 / 500) ** 0.5
    grade = named["mass from thickness"]
    mass_g = grade["mass_per_1000_leaves_g"]
    assert thickness_um(mass_g, (80, 80), METALS["gold"].density_g_cm3) == pytest.approx(0.1, rel=1e-9)


def test_formats_are_those_of_the_sources():
    with (REFERENCE / "leaf_and_book_sizes.csv").open(encoding="utf-8") as stream:
        rows = {row["kind"]: row for row in csv.DictReader(stream)}
    for kind, metal in (("gold leaf, European loose or transfer", "gold"), ("imitation (Dutch metal) leaf", "brass")):
        row, listed = rows[kind], METALS[metal]
        assert listed.leaf_mm == (float(row["width_mm"]), float(row["height_mm"]))
        assert listed.leaves_per_book == int(row["leaves_per_unit"])
