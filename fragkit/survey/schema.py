"""The keys that survey.toml may hold, one class a table."""

from __future__ import annotations

import datetime
import unicodedata
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, StringConstraints, model_validator

from fragkit.survey.technique_entries import SPEAKS_FOR

_FORBIDDEN_IN_NAMES = set('<>:"/\\|?*')


def _fit_for_a_file_name(name: str) -> str:
    hidden = [c for c in name if unicodedata.category(c) in {"Cc", "Cf", "Cs", "Zl", "Zp"}]
    if hidden:
        raise ValueError(f"holds an invisible character (U+{ord(hidden[0]):04X}); type the name afresh")
    wrong = sorted(set(name) & _FORBIDDEN_IN_NAMES)
    if wrong or name.startswith(".") or name != name.strip():
        sign = wrong[0] if wrong else "a dot or blank at an end"
        raise ValueError(f"cannot be used in a file name ({sign}); use letters, digits, blanks and hyphens")
    return name


def _one_or_pair(value: Any) -> Any:
    return [value, value] if isinstance(value, (int, float)) else value


def _text_of_date(value: Any) -> Any:
    return value.isoformat() if isinstance(value, datetime.date) else value


Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Positive = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0)]
NotNegative = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0)]
Ratio = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=1)]
Count = Annotated[int, Field(strict=True, ge=1, le=100_000)]
Text = Annotated[str, Field(strict=True)]
Date = Annotated[Text, BeforeValidator(_text_of_date)]
Name = Annotated[
    str,
    StringConstraints(strict=True, min_length=1, max_length=80),
    AfterValidator(_fit_for_a_file_name),
]
Point = Annotated[list[Number], Field(min_length=2, max_length=2)]
Outline = Annotated[list[Point], Field(min_length=3)]
Corners = Annotated[list[Text], Field(min_length=3)]


class Table(BaseModel):
    """A table of survey.toml: a key it does not know is a fault."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class StudyTable(Table):
    title: Text | None = None
    authors: list[Text] = []
    date: Date = ""
    regime: Text = ""
    record_level: Text = ""
    seed: Annotated[int, Field(strict=True, ge=0)] = 0
    between_sd_ratio: Annotated[float, Field(gt=0.0, le=0.5)] = 0.01
    paints: Text | None = None


Dictionary = Annotated[str, StringConstraints(strict=True, pattern=r"^[4-7][xX][4-7]_(50|100|250|1000)$")]
Side = Annotated[int, Field(strict=True, ge=3, le=100)]


class LensBoardTable(Table):
    kind: Literal["chessboard"] = "chessboard"
    columns: Side
    rows: Side
    square_mm: Positive
    marker_mm: Positive | None = None
    dictionary: Dictionary = "4x4_50"
    files: Annotated[list[Text], Field(min_length=1)]


class LensTable(Table):
    board: LensBoardTable | None = None
    f_px: Positive | None = None
    centre_px: Point | None = None
    k1: Number | None = None
    k2: Number | None = None


class PointsTable(Table):
    kind: Literal["points"]
    table: Text
    sd_px: Positive = 0.5


class BoardTable(Table):
    kind: Literal["board"]
    columns: Side
    rows: Side
    square_mm: Positive
    sd_px: Positive = 0.1
    marker_mm: Positive | None = None
    dictionary: Dictionary = "4x4_50"


class TapeTable(Table):
    kind: Literal["tape"]
    pixels: Text
    distances: Text
    sd_px: Positive = 0.5
    level: Annotated[list[Text], Field(min_length=2, max_length=2)] | None = None


class BarTable(Table):
    kind: Literal["bar"]
    ends_px: Annotated[list[Point], Field(min_length=2, max_length=2)]
    length_mm: Positive
    stand_off_mm: Number = 0.0
    length_sd_mm: Positive = 0.2
    stand_off_sd_mm: NotNegative = 1.0
    sd_px: Positive = 0.5


ControlTable = Annotated[PointsTable | BoardTable | TapeTable | BarTable, Field(discriminator="kind")]


class ChartTable(Table):
    patches: Text
    kind: Literal["colour", "grey"] = "colour"


class PhotoTable(Table):
    name: Name
    file: Text
    fragment: Text
    control: ControlTable
    lens: Text | None = None
    flatness_mm: NotNegative = 0.0
    labels: Text | None = None
    example_px: Annotated[list[Number], Field(min_length=4, max_length=4)] | None = None
    repeat_range_mm: Annotated[list[Positive], Field(min_length=2, max_length=2)] | None = None
    chart: ChartTable | None = None
    review: Text | None = None
    areas: Text | None = None


class FragmentTable(Table):
    name: Name
    wall: Text | None = None
    origin_mm: Point | None = None
    origin_sd_mm: Positive = 5.0
    turn_deg: Annotated[float, Field(strict=True, allow_inf_nan=False, ge=-360, le=360)] = 0.0
    turn_sd_deg: Positive = 0.2
    centres: Text | None = None


class OpeningTable(Table):
    name: Name
    kind: Text = "opening"
    outline_mm: Outline | None = None
    corners: Corners | None = None
    centre_mm: Point | None = None
    radius_mm: Positive | None = None
    clearance_mm: NotNegative = 0.0


class EdgeTable(Table):
    name: Name
    kind: Text = "edge"
    line_mm: Annotated[list[Point], Field(min_length=2)] | None = None
    corners: Annotated[list[Text], Field(min_length=2)] | None = None
    rule: Literal["shift", "reduce", "reshape", "omit"] = "shift"
    max_shift_mm: NotNegative = 15.0
    min_scale_ratio: Ratio = 0.8


class WallTable(Table):
    """A wall without its openings and edges, which are checked one by one."""

    name: Name
    outline_mm: Outline | None = None
    measures: Text | None = None
    corners: Corners | None = None
    axis_x_mm: Number | None = None
    next: Text | None = None
    corner: Literal["continue", "restart"] = "restart"
    clearance_mm: NotNegative = 0.0


class ProposalTable(Table):
    across_mm: Positive | None = None
    down_mm: Positive | None = None
    offset_ratio: Annotated[float, Field(strict=True, allow_inf_nan=False, ge=-1, le=1)] | None = None
    reason: Annotated[str, StringConstraints(strict=True, strip_whitespace=True, min_length=1)]

    @model_validator(mode="after")
    def _states_a_length(self) -> ProposalTable:
        if self.across_mm is None and self.down_mm is None and self.offset_ratio is None:
            raise ValueError("gives no length; state across_mm, down_mm or offset_ratio, or take the table out")
        return self


class PinnedTable(Table):
    """One motif held at a place: its site in the net and where its centre must be."""

    wall: Text
    i: Annotated[int, Field(strict=True)]
    j: Annotated[int, Field(strict=True)]
    x_mm: Number
    y_mm: Number
    reason: Text = ""


class PanelTable(Table):
    """A part of a wall that may take the stretch, from one x to another."""

    wall: Text
    from_mm: Number
    to_mm: Number

    @model_validator(mode="after")
    def _has_width(self) -> PanelTable:
        if self.from_mm >= self.to_mm:
            raise ValueError(f"goes from {self.from_mm:g} to {self.to_mm:g}; from_mm must be the smaller")
        return self


class LayoutTable(Table):
    on_axis: Literal["motif", "gap"] = "motif"
    follow: Literal["level", "edges", "fan"] = "level"
    choice: Text | None = None
    choice_reason: Text | None = None
    irregularity_ratio: Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=2)] = 0.0
    seed: Annotated[int, Field(strict=True, ge=0)] | None = None
    pinned: list[PinnedTable] = []
    closing: Text | None = None
    panels: list[PanelTable] = []
    weights: dict[Text, NotNegative] = {}
    eye_mm: Number | None = None
    viewing_mm: Positive = 2000.0


Placing = Literal["on set-out lines", "stepped off from the neighbour", "rigid groups", "continuous print"]
Forming = Literal["drawn free", "along an outline", "through a plate", "by block or roller"]


Median = Annotated[float, Field(strict=True, ge=0.05, le=20.0)]
LogSd = Annotated[float, Field(strict=True, ge=0.05, le=2.0)]


class SeenTable(Table):
    """A tool mark that somebody saw, or looked for in vain (odds below 1)."""

    what: Annotated[str, StringConstraints(strict=True, strip_whitespace=True, min_length=1)]
    odds: Annotated[float, Field(strict=True, ge=0.001, le=1000.0)]
    favours: list[Placing | Forming] = []
    reason: Text = ""

    @model_validator(mode="after")
    def _known_or_explained(self) -> SeenTable:
        if not self.favours and self.what not in SPEAKS_FOR:
            known = ", ".join(SPEAKS_FOR)
            raise ValueError(f"{self.what!r} is not one of {known}; say in 'favours' what it speaks for")
        return self


class TechniqueTable(Table):
    """What is assumed of placing and forming before the evidence is weighed."""

    placing: dict[Placing, NotNegative] = {}
    forming: dict[Forming, NotNegative] = {}
    reason: Text = ""
    scatter_mm: dict[Placing, tuple[Median, LogSd]] = {}
    outline_spread_mm: dict[Forming, tuple[Median, LogSd]] = {}
    marks: Text | None = None
    seen: list[SeenTable] = []

    @model_validator(mode="after")
    def _weighs_something(self) -> TechniqueTable:
        for what, weights in (("placing", self.placing), ("forming", self.forming)):
            if weights and not sum(weights.values()) > 0:
                raise ValueError(f"gives every way of {what} the weight 0; give at least one a weight above 0")
        return self


def _ascending(pair: list[float]) -> list[float]:
    if pair[0] > pair[1]:
        raise ValueError(f"goes from {pair[0]:g} down to {pair[1]:g}; write the lower value first")
    return pair


_Pair = Field(min_length=2, max_length=2)
Sides = Annotated[list[Positive], _Pair, BeforeValidator(_one_or_pair)]
Range = Annotated[list[Positive], _Pair, BeforeValidator(_one_or_pair), AfterValidator(_ascending)]
RatioRange = Annotated[list[NotNegative], _Pair, BeforeValidator(_one_or_pair), AfterValidator(_ascending)]


class CoverageTable(Table):
    m2_per_unit: Range
    unit: Annotated[str, StringConstraints(strict=True, min_length=1)] = "litre"
    coats: Annotated[int, Field(strict=True, ge=1, le=20)] = 1
    waste_ratio: NotNegative = 0.1


class CoveragesTable(Table):
    size: CoverageTable | None = None
    ground: CoverageTable | None = None
    shadow: CoverageTable | None = None


class DropsTable(Table):
    width_mm: Positive
    length_mm: Positive
    trim_mm: NotNegative = 100.0
    lap_mm: NotNegative = 0.0
    spare_ratio: NotNegative = 0.1


class WorksTable(Table):
    metal: Text | None = None
    leaf_side_mm: Sides | None = None
    leaves_per_book: Count | None = None
    margin_mm: NotNegative | None = None
    cut: Literal["whole", "parts"] = "whole"
    spoilage_ratio: NotNegative | None = None
    reserve_ratio: NotNegative | None = None
    prices: Text | None = None
    contingency_ratio: RatioRange | None = None
    trial: Text | None = None
    minutes_per_motif: Range | None = None
    lay_min: Positive | None = None
    size: Text | None = None
    open_h: Range | None = None
    crew: Count | None = None
    hours_per_day: Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=24)] | None = None
    lift_mm: Positive | None = None
    reach_mm: Positive | None = None
    life_years: dict[Text, Range] = {}
    coverage: CoveragesTable = CoveragesTable()
    drops: DropsTable | None = None
    instruments: list[Text] = []


class DecisionTable(Table):
    what: Text
    choice: Text
    reason: Text
    evidence: Text | None = None
    who: Text | None = None
    date: Date | None = None
