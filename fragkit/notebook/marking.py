"""A widget to mark control points on a photograph."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

import anywidget
import traitlets

from fragkit.errors import EstimationError, FragkitError
from fragkit.notebook.front_end import jpeg_bytes, script, style
from fragkit.notebook.history import History
from fragkit.notebook.judging import Judgement, control_by_points, control_by_tape, judge, unsolved
from fragkit.notebook.pasting import paste_coordinates, paste_distances
from fragkit.record.control import PX_DECIMALS, name_in_survey, write_control, write_distances
from fragkit.rectify import Lens
from fragkit.rectify.marks import refine_mark
from fragkit.survey import Photograph, PointControl, TapeControl, read_photo
from fragkit.survey.marked import MarkedPoint, TapedDistance, read_marked, read_taped


class PointMarker(anywidget.AnyWidget):
    """Control points on a photograph, as they stand.

    The points live here, in the kernel: reloading the page loses nothing. `control` is what `rectify` takes,
    `judgement` says what it is worth, `save()` writes the tables of the study.
    """

    _esm = script("marking.js")
    _css = style()
    picture = traitlets.Bytes().tag(sync=True)
    size_px: traitlets.List[Any] = traitlets.List().tag(sync=True)
    points: traitlets.List[Any] = traitlets.List().tag(sync=True)
    distances: traitlets.List[Any] = traitlets.List().tag(sync=True)
    by_tape = traitlets.Bool().tag(sync=True)
    usual_sd_mm = traitlets.Float().tag(sync=True)
    outcome = traitlets.Dict().tag(sync=True)

    def __init__(self, photograph: Photograph, *, tables: tuple[Path, Path | None], plane: dict[str, Any]) -> None:
        self._pixels = photograph.pixels
        self._file = photograph.file
        self._table, self._distance_table = tables
        self._plane = plane
        height, width = photograph.pixels.shape[:2]
        super().__init__(
            picture=jpeg_bytes(photograph),
            size_px=[width, height],
            points=[asdict(point) for point in read_marked(self._table)],
            distances=[asdict(taped) for taped in read_taped(self._distance_table)] if self._distance_table else [],
            by_tape=self._distance_table is not None,
            usual_sd_mm=1.0,
        )
        self._history = History(self._state())
        self.observe(self._changed, ["points", "distances"])
        self.on_msg(self._asked)
        self._judge()

    @property
    def marked(self) -> tuple[MarkedPoint, ...]:
        """The points as they stand, measured or not."""
        return tuple(MarkedPoint(**point) for point in self.points)

    @property
    def control(self) -> PointControl | TapeControl:
        """The control as it stands, for `rectify`."""
        if self.by_tape:
            return control_by_tape(self.marked, self._taped(), sd_px=self._plane["sd_px"])
        return control_by_points(self.marked, sd_px=self._plane["sd_px"])

    @property
    def judgement(self) -> Judgement:
        """What the control is worth; see `Judgement`."""
        return self._judgement

    def save(self) -> str:
        """Write the control into the study, so that `fragkit run` works from it; say what was written.

        Raises
        ------
        ValueError
            A name that cannot stand in a table.
        OutputError
            A file cannot be written; what was there before is untouched.
        """
        write_control(self.marked, self._table, with_mm=not self.by_tape)
        said = f"{len(self.points)} points saved in {self._table.name}"
        if self._distance_table is not None:
            write_distances(self._taped(), self._distance_table)
            said += f", {len(self.distances)} distances in {self._distance_table.name}"
        self._name_tables()
        lacking = [point.name for point in self.marked if not self.by_tape and not point.is_measured]
        if lacking:
            said += f". Still without millimetres: {', '.join(lacking)}; `fragkit check` will name them"
        return f"{said}."

    def _name_tables(self) -> None:
        """survey.toml names the tables that were written."""
        if self._distance_table is None:
            control = {"kind": "points", "table": self._table.name}
        else:
            control = {"kind": "tape", "pixels": self._table.name, "distances": self._distance_table.name}
        keys = {"control": {**control, "sd_px": self._plane["sd_px"]}}
        name_in_survey(self._table.parent, self._file, keys)

    def _taped(self) -> tuple[TapedDistance, ...]:
        return tuple(TapedDistance(**taped) for taped in self.distances)

    def _state(self) -> dict[str, Any]:
        return {"points": self.points, "distances": self.distances}

    def _changed(self, _change: Any) -> None:
        self._history.keep(self._state())
        self._judge()

    def _judge(self) -> None:
        width, height = self.size_px
        lens, flatness_mm = self._plane["lens"], self._plane["flatness_mm"]
        try:
            self._judgement = judge(self.control, size_px=(width, height), lens=lens, flatness_mm=flatness_mm)
        except ValueError as error:
            self._judgement = unsolved((), (str(error),))
        self.outcome = self._judgement.plain()

    def _asked(self, _widget: Any, message: dict[str, Any], _buffers: Any) -> None:
        """Do what the browser asks, and answer in words."""
        answers = {
            "save": self._save,
            "snap": self._snap,
            "paste": self._paste,
            "tape": self._tape,
            "undo": lambda asked: self._step(asked["by"]),
        }
        try:
            self.send(answers[message["ask"]](message) or {})
        except (FragkitError, ValueError) as error:
            self.send({"say": str(error)})

    def _save(self, asked: dict[str, Any]) -> dict[str, Any]:
        self.points = asked["points"]
        return {"say": self.save()}

    def _snap(self, asked: dict[str, Any]) -> dict[str, Any]:
        try:
            mark = refine_mark(self._pixels, (asked["x"], asked["y"]), kind=asked["mark"])
        except EstimationError as error:
            return {"say": f"{error} The point stays where it is."}
        x, y = (round(float(value), PX_DECIMALS) for value in mark.xy_px)
        said = f"Centre of the {mark.kind} at {x:.2f}, {y:.2f} px, good to {mark.sd_px:.2f} px."
        return {"snapped": asked["index"], "x": x, "y": y, "say": said}

    def _paste(self, asked: dict[str, Any]) -> dict[str, Any]:
        points, unread = paste_coordinates(asked["text"], self.marked, sd_mm=self.usual_sd_mm)
        self.points = [asdict(point) for point in points]
        return {"say": _read_words("Coordinates taken over.", unread)}

    def _tape(self, asked: dict[str, Any]) -> dict[str, Any]:
        distances, unread = paste_distances(asked["text"], sd_mm=self.usual_sd_mm)
        self.distances = [asdict(taped) for taped in distances]
        return {"say": _read_words(f"{len(distances)} distances taken over.", unread)}

    def _step(self, by: int) -> dict[str, Any]:
        state = self._history.step(by)
        if state is None:
            return {"say": "There is nothing to undo." if by < 0 else "There is nothing to redo."}
        with self.hold_trait_notifications():
            self.points, self.distances = state["points"], state["distances"]
        return {"say": "Undone." if by < 0 else "Done again."}


def mark_points(
    photo: Path,
    *,
    table: Path,
    distances: Path | None = None,
    lens: Lens | None = None,
    flatness_mm: float = 0.0,
    sd_px: float = 0.5,
) -> PointMarker:
    """A widget to mark control points on the photograph at `photo`.

    Parameters
    ----------
    photo : Path
        A photograph of a study.
    table : Path
        CSV of the points, point,x_px,y_px,x_mm,y_mm,sd_mm: opened if it is there, written by "Save".
    distances : Path, optional
        CSV of taped distances, from,to,distance_mm,sd_mm. With it the control is by tape, and the points need
        no coordinates.
    lens : Lens, optional
    flatness_mm : float
        How far the surface may leave its plane, to either side.
    sd_px : float
        One standard deviation of picking, per coordinate.

    Raises
    ------
    SurveyError
        The photograph or a table cannot be read.
    """
    plane = {"lens": lens, "flatness_mm": flatness_mm, "sd_px": sd_px}
    paths = (Path(table), None if distances is None else Path(distances))
    return PointMarker(read_photo(Path(photo)), tables=paths, plane=plane)


def _read_words(said: str, unread: tuple[str, ...]) -> str:
    return f"{said} Not understood: {' | '.join(unread)}." if unread else said
