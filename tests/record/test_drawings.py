from xml.etree import ElementTree

import numpy as np
import pytest
import record_room

from fragkit.record.drawings import forms_svg, motif_svg, path_data

SVG = "{http://www.w3.org/2000/svg}"


def points(data):
    return np.array([[float(v) for v in pair.split(",")] for pair in data.strip("MZ").split("L")])


def test_motif_is_drawn_at_true_size():
    motif = record_room.hop_cone()
    root = ElementTree.fromstring(motif_svg(motif))
    width = float(root.get("width").removesuffix("mm"))
    assert root.get("viewBox").split()[2] == root.get("width").removesuffix("mm")  # one unit is one millimetre
    metal = root.find(f".//{SVG}path[@data-layer='metal']")
    extent = np.ptp(points(metal.get("d")), axis=0)
    np.testing.assert_allclose(extent, np.ptp(motif.outlines["metal"][0], axis=0), rtol=0, atol=2e-3)
    assert width > extent[0]
    assert "36.0 × 46.0 mm" in root.find(f"{SVG}desc").text


def test_the_band_of_doubt_is_a_layer_of_its_own():
    root = ElementTree.fromstring(motif_svg(record_room.hop_cone()))
    band = root.find(f".//{SVG}path[@data-layer='metal in doubt']")
    assert band.get("fill-rule") == "evenodd"
    rings = [points(part) for part in band.get("d").split("Z")[:-1]]
    np.testing.assert_allclose([np.ptp(ring[:, 0]) for ring in rings], [36.4, 35.6], rtol=0, atol=2e-3)
    assert root.find(f".//{SVG}path[@data-layer='shadow in doubt']") is None
    assert "95 %" in root.find(f"{SVG}desc").text


def test_up_on_the_wall_is_up_on_the_drawing():
    np.testing.assert_allclose(
        points(path_data(np.array([[0.0, 0.0], [1.0, 2.0]]), at_mm=(10.0, 10.0))),
        [[10, 10], [11, 8]],
        rtol=0,
        atol=1e-9,
    )


def test_every_form_of_the_layout_is_drawn_and_named(whole):
    root = ElementTree.fromstring(forms_svg(whole.layout))
    named = {group.get("data-form") for group in root.iter(f"{SVG}g")}
    assert named == set(whole.layout.forms)


def test_names_of_forms_are_escaped(whole):
    forms = {record_room.NASTY: whole.layout.forms["whole"]}
    drawn = forms_svg(record_room.SimpleNamespace(forms=forms))
    assert "<script>" not in drawn
    assert ElementTree.fromstring(drawn).find(f"{SVG}g").get("data-form") == record_room.NASTY


@pytest.mark.parametrize("outlines", [{}, {"metal": ()}])
def test_motif_without_outlines_is_an_empty_drawing(outlines):
    motif = record_room.hop_cone()
    motif.outlines = outlines
    assert ElementTree.fromstring(motif_svg(motif)).find(f"{SVG}title") is not None
