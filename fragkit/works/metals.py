"""Leaf metals: format of leaf and book, density, mass and behaviour, each with its source."""

from __future__ import annotations

from dataclasses import dataclass

COMMON_PRACTICE = "common practice, not confirmed by a source"

_GILDING_ARTICLE = "Gold & Metal Leaf, supplier's article (2021), handover.co.uk/blog/2021/02/10/gold-metal-leaf"
_IMITATION_LEAF = "Imitation Gold Leaf, supplier's page, stonehouses.co.uk/collections/imitation-gold-leaf"
_BOOKBINDING = "Roberts & Etherington, Bookbinding and the Conservation of Books, cool.culturalheritage.org/don"
_CRC = "CRC Handbook values, as in the Python packages periodictable 2.1 and mendeleev 1.3"


@dataclass(frozen=True, kw_only=True)
class Metal:
    """What is published about leaf of one metal.

    Attributes
    ----------
    leaf_mm : (width, height)
        The commonest format on sale; suppliers differ, there is no standard.
    leaves_per_book : int
    format_source : str
    density_g_cm3 : float
        Of the pure metal at about 20 °C; alloys differ.
    density_source : str
    mass_g_per_1000, mass_leaf_mm : range in g and the leaf it belongs to, or None
        Mass of a thousand leaves.
    mass_source : str
    thickness_um : range or None
        Common practice, where no mass is published.
    tarnish : str
        How it ages, in plain words.
    tarnish_source : str
    other_formats : tuple of str
        Formats also met.
    """

    name: str
    leaf_mm: tuple[float, float]
    leaves_per_book: int
    format_source: str
    density_g_cm3: float
    tarnish: str
    tarnish_source: str
    density_source: str = _CRC
    mass_g_per_1000: tuple[float, float] | None = None
    mass_leaf_mm: tuple[float, float] | None = None
    mass_source: str = ""
    thickness_um: tuple[float, float] | None = None
    other_formats: tuple[str, ...] = ()


METALS: dict[str, Metal] = {
    metal.name: metal
    for metal in (
        Metal(
            name="gold",
            leaf_mm=(80.0, 80.0),
            leaves_per_book=25,
            format_source=_GILDING_ARTICLE,
            density_g_cm3=19.3,
            mass_g_per_1000=(12.0, 16.0),
            mass_leaf_mm=(80.0, 80.0),
            mass_source=_GILDING_ARTICLE,
            tarnish="Does not tarnish at 22 carat and above; alloys with copper or silver can.",
            tarnish_source="All about gold leaf, thegildedimage.com/about-us/all-about-gold-leaf",
            other_formats=("86 × 86 mm, American", "82.6 × 82.6 mm, 19th century", "91.5 × 91.5 mm, Russian"),
        ),
        Metal(
            name="silver",
            leaf_mm=(95.0, 95.0),
            leaves_per_book=25,
            format_source=COMMON_PRACTICE,
            density_g_cm3=10.5,
            mass_g_per_1000=(28.0, 28.0),
            mass_leaf_mm=(95.0, 95.0),
            mass_source=_GILDING_ARTICLE + " (up to 28 g; the leaf it belongs to is not stated)",
            tarnish="Blackens with traces of sulphur gases; needs a coating, and where the coating fails it spots.",
            tarnish_source=_BOOKBINDING + " (silver leaf); V&A Conservation Journal 22",
            other_formats=("80 × 80 mm", "109 × 109 mm", "114 × 114 mm, about 1880"),
        ),
        Metal(
            name="palladium",
            leaf_mm=(80.0, 80.0),
            leaves_per_book=25,
            format_source=COMMON_PRACTICE,
            density_g_cm3=12.02,
            thickness_um=(0.15, 0.25),
            tarnish="Does not tarnish at room temperature; slightly duller than silver.",
            tarnish_source=_BOOKBINDING + " (palladium leaf); Art & Architecture Thesaurus",
        ),
        Metal(
            name="platinum",
            leaf_mm=(80.0, 80.0),
            leaves_per_book=10,
            format_source=COMMON_PRACTICE,
            density_g_cm3=21.45,
            thickness_um=(0.20, 0.25),
            tarnish="Does not tarnish; greyer than silver.",
            tarnish_source="Platinum leaf, cameo.mfa.org; Farnsworth, Illumination (1922)",
        ),
        Metal(
            name="aluminium",
            leaf_mm=(140.0, 140.0),
            leaves_per_book=25,
            format_source=_GILDING_ARTICLE,
            density_g_cm3=2.70,
            thickness_um=(0.5, 1.0),
            tarnish="Does not blacken but dulls; suppliers advise sealing it. Too thick for fine work.",
            tarnish_source="Metal leaf, supplier's page, baileypaints.co.uk; Farnsworth, Illumination (1922)",
            other_formats=("160 × 160 mm, loose",),
        ),
        Metal(
            name="brass",
            leaf_mm=(140.0, 140.0),
            leaves_per_book=25,
            format_source=_GILDING_ARTICLE,
            density_g_cm3=8.5,
            density_source=COMMON_PRACTICE + " (depends on the alloy)",
            tarnish="Tarnishes; must be sealed.",
            tarnish_source=_IMITATION_LEAF,
            other_formats=("160 × 160 mm, loose",),
        ),
        Metal(
            name="copper",
            leaf_mm=(140.0, 140.0),
            leaves_per_book=25,
            format_source=COMMON_PRACTICE,
            density_g_cm3=8.96,
            tarnish="Tarnishes; must be sealed.",
            tarnish_source=_IMITATION_LEAF,
        ),
    )
}

_OTHER_NAMES = {
    "dutch metal": "brass",
    "imitation gold": "brass",
    "schlagmetal": "brass",
    "aluminum": "aluminium",
}


def metal_in(words: str) -> Metal | None:
    """The listed metal whose name occurs in `words` ("gold leaf 23 ct", "Dutch metal", …), or None."""
    plain = words.casefold()
    for known in (*_OTHER_NAMES, *METALS):
        if known in plain:
            return METALS[_OTHER_NAMES.get(known, known)]
    return None


def find_metal(name: str) -> Metal:
    """What is published about the metal called `name` ("gold", "gold leaf 23 ct", "Dutch metal", …).

    Raises
    ------
    ValueError
        If no listed metal occurs in `name`.
    """
    found = metal_in(name)
    if found is None:
        raise ValueError(
            f"No leaf metal {name!r} is listed; listed are {', '.join(METALS)}. "
            "Name one of them, or state leaf_side_mm and leaves_per_book of the leaf you mean."
        )
    return found


def mass_g(metal: Metal, area_m2: float) -> tuple[tuple[float, float], str] | None:
    """Mass range (g) of an area of leaf and where it comes from: published grades, else an assumed thickness."""
    if metal.mass_g_per_1000 is not None and metal.mass_leaf_mm is not None:
        low, high = (areal_mass_g_m2(mass, metal.mass_leaf_mm) * area_m2 for mass in metal.mass_g_per_1000)
        return (low, high), metal.mass_source
    if metal.thickness_um is not None:
        low, high = (um * metal.density_g_cm3 * area_m2 for um in metal.thickness_um)
        thickness = f"{metal.thickness_um[0]:g} to {metal.thickness_um[1]:g} µm"
        return (low, high), f"computed from {thickness}, {COMMON_PRACTICE}"
    return None


def thickness_um(mass_g_per_1000: float, leaf_mm: tuple[float, float], density_g_cm3: float) -> float:
    """Mean thickness (µm) of a leaf from the mass of a thousand leaves.

    Notes
    -----
    `t = m / (area · density)`. The mass of a thousand leaves is nominal: the same grade on a larger leaf is
    thinner.

    References
    ----------
    Gold leaf thickness: nominal and actual (goldbeater), manetti.com/en/gold-leaf-thickness.
    """
    return areal_mass_g_m2(mass_g_per_1000, leaf_mm) / density_g_cm3


def areal_mass_g_m2(mass_g_per_1000: float, leaf_mm: tuple[float, float]) -> float:
    """Mass of leaf per area (g/m²) from the mass of a thousand leaves."""
    return mass_g_per_1000 / 1000.0 / (leaf_mm[0] * leaf_mm[1] * 1e-6)


def overlap_factor(leaf_mm: tuple[float, float], lap_mm: float) -> float:
    """Area of leaf used per area covered when leaves are laid edge over edge by `lap_mm` on a plain field."""
    width, height = leaf_mm
    if not 0 <= lap_mm < min(width, height):
        raise ValueError(f"A lap of {lap_mm} mm on a leaf of {width} × {height} mm: use 0 up to the leaf's side.")
    return width * height / ((width - lap_mm) * (height - lap_mm))
