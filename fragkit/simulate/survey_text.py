"""survey.toml of a simulated study, written from its draft."""

from __future__ import annotations

from fragkit.simulate.boards import Board
from fragkit.simulate.drafts import ORIGIN_SD_MM, TURN_SD_DEG, FragmentDraft, StudyDraft
from fragkit.simulate.scenario import AUTHORS, DECISIONS, RECORD_LEVEL, REGIME, SIMULATED, TITLE, WORKS
from fragkit.simulate.tables import toml_table
from fragkit.survey.entries import WallEntry

PICKING_SD_PX = 0.4
"""How well a cross was picked in a photograph, one standard deviation per coordinate."""


def survey_text(draft: StudyDraft, *, board: Board, flatness_mm: float, chart: bool) -> str:
    """The whole document."""
    study = {
        "title": TITLE,
        "authors": list(AUTHORS),
        "date": "2024-06-10",
        "regime": REGIME,
        "record_level": RECORD_LEVEL,
        "seed": draft.seed,
        "paints": "paints.csv",
    }
    lens = {
        "kind": "chessboard",
        "columns": board.columns,
        "rows": board.rows,
        "square_mm": board.square_mm,
        "files": ["board-*.jpg"],
    }
    parts = [
        f"# {SIMULATED}\nschema = 1\n",
        toml_table("[study]", study),
        toml_table("[lens.a]", {"board": lens}),
    ]
    for fragment in draft.fragments:
        parts += _photos(fragment, flatness_mm, chart)
    parts += [_fragment(fragment) for fragment in draft.fragments]
    for wall in draft.walls:
        parts += _wall(wall)
    parts += [toml_table("[layout]", {"on_axis": "motif", "follow": "level"}), toml_table("[works]", WORKS)]
    parts += [toml_table("[[decision]]", decision) for decision in DECISIONS]
    return "\n".join(parts)


def _photos(fragment: FragmentDraft, flatness_mm: float, chart: bool) -> list[str]:
    return [
        toml_table(
            "[[photo]]",
            {
                "name": name,
                "file": f"{name}.jpg",
                "fragment": fragment.place.name,
                "lens": "a",
                "control": {"kind": "points", "table": f"{name}.csv", "sd_px": PICKING_SD_PX},
                "flatness_mm": flatness_mm,
                "chart": {"patches": f"{name}-chart.csv"} if chart else None,
            },
        )
        for name in fragment.photo_names
    ]


def _fragment(fragment: FragmentDraft) -> str:
    return toml_table(
        "[[fragment]]",
        {
            "name": fragment.place.name,
            "wall": fragment.place.wall,
            "origin_mm": fragment.stated_origin_mm,
            "origin_sd_mm": ORIGIN_SD_MM,
            "turn_deg": fragment.stated_turn_deg,
            "turn_sd_deg": TURN_SD_DEG,
        },
    )


def _wall(wall: WallEntry) -> list[str]:
    head = {
        "name": wall.name,
        "outline_mm": wall.outline_mm,
        "axis_x_mm": wall.axis_x_mm,
        "next": wall.next,
        "corner": wall.corner,
        "clearance_mm": wall.clearance_mm,
    }
    parts = [toml_table("[[wall]]", head)]
    for opening in wall.openings:
        entries = {
            "name": opening.name,
            "kind": opening.kind,
            "outline_mm": opening.outline_mm,
            "clearance_mm": opening.clearance_mm,
        }
        parts.append(toml_table("[[wall.opening]]", entries))
    for edge in wall.edges:
        entries = {
            "name": edge.name,
            "kind": edge.kind,
            "line_mm": edge.line_mm,
            "rule": edge.rule,
            "max_shift_mm": edge.max_shift_mm,
            "min_scale_ratio": edge.min_scale_ratio,
        }
        parts.append(toml_table("[[wall.edge]]", entries))
    return parts
