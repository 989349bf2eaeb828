"""What can hurt people or the building in this work, with sources; information only."""

from __future__ import annotations

from dataclasses import dataclass

DEFERENCE = (
    "Information only. Local law and codes rule, and licensed or qualified people decide: ask them before "
    "work starts, and read the makers' safety data sheets."
)


@dataclass(frozen=True, kw_only=True)
class Caution:
    hazard: str
    advice: str
    source: str


CAUTIONS: tuple[Caution, ...] = (
    Caution(
        hazard="Lead in old paint",
        advice="Test before scraping or sanding; leave sound paint alone; risk-assess the other metals and "
        "asbestos with it. Choose controls that keep the historic surface.",
        source="HSE, Health effects from exposure to lead; 29 CFR 1926.62; US Preservation Brief 37; Paint "
        "toxicity and risk, Building Conservation Directory 2018",
    ),
    Caution(
        hazard="Lead in oil size",
        advice="Traditional oil size is boiled with litharge (lead oxide), in old work and in some bought "
        "today: read the label, wear gloves, do not sand it dry.",
        source="Mixtion, encyclopedia article citing Lexikon der Anstrichtechnik",
    ),
    Caution(
        hazard="Arsenic greens",
        advice="Treat bright greens of about 1780-1900, and yellow or red arsenic sulphides, as suspect "
        "until tested (for example by X-ray fluorescence): gloves, no dust, clean hands.",
        source="Arsenic Pigments in Libraries, Restaurator (2024), doi:10.1515/res-2024-0009; the dates are "
        "common practice",
    ),
    Caution(
        hazard="Silica dust",
        advice="Sanding plaster sets respirable silica free: damp methods, extraction, masks. UK limit 0.1 "
        "mg/m³ over 8 hours.",
        source="EH40/2005 Workplace exposure limits",
    ),
    Caution(
        hazard="Solvents",
        advice="Ventilate for turpentine and white spirit; no flame near them, nor near metal powder and skewings.",
        source="common practice; see the safety data sheets",
    ),
    Caution(
        hazard="Oily rags",
        advice="Rags with drying oil or oil size heat up by themselves and catch fire hours later: lay them "
        "flat outdoors, or soak and seal them in a lidded metal bin.",
        source="Buckinghamshire Fire & Rescue, Linseed oil-soaked rags self combusting",
    ),
    Caution(
        hazard="Work at height",
        advice="Avoid it if you can, then use a safe existing place, then prevent falls; ladders for short "
        "tasks only, 1 out for 4 up; have the scaffold inspected by a competent person.",
        source="Healthy Working Lives, Height safety precautions",
    ),
    Caution(
        hazard="Historic fabric",
        advice="No tape, pencil or target on painted or gilded surfaces, no water near distemper; agree "
        "marks with the conservator in charge first, and protect the floor.",
        source="common practice",
    ),
)
