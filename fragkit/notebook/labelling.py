"""A widget to label the areas of a photograph and to box an example of the motif."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import anywidget
import numpy as np
import traitlets
from numpy.typing import NDArray

from fragkit.errors import FragkitError
from fragkit.notebook.front_end import jpeg_bytes, script, style
from fragkit.notebook.history import History
from fragkit.notebook.strokes import outlines, paint, shares_words
from fragkit.record.control import name_in_survey, write_labels
from fragkit.survey import LABEL_NAMES, Photograph, read_labels, read_photo

KEYS = ("x", "g", "s", "m", "l", "w")
"""The key that chooses each label, in the order of `LABEL_NAMES`."""


class AreaLabeller(anywidget.AnyWidget):
    """Labelled areas of a photograph, as they stand.

    The strokes live here, in the kernel: reloading the page loses nothing. `labels` are the codes pixel by
    pixel, `example_px` the box round an example of the motif, `save()` writes both into the study.
    """

    _esm = script("labelling.js")
    _css = style()
    picture = traitlets.Bytes().tag(sync=True)
    size_px: traitlets.List[Any] = traitlets.List().tag(sync=True)
    classes: traitlets.List[Any] = traitlets.List().tag(sync=True)
    before: traitlets.List[Any] = traitlets.List().tag(sync=True)
    strokes: traitlets.List[Any] = traitlets.List().tag(sync=True)

    def __init__(self, photograph: Photograph, *, labels: Path) -> None:
        height, width = photograph.pixels.shape[:2]
        self._file, self._path = photograph.file, labels
        self._base = _opened(labels, (height, width))
        super().__init__(
            picture=jpeg_bytes(photograph),
            size_px=[width, height],
            classes=[[code, name, key] for code, (name, key) in enumerate(zip(LABEL_NAMES, KEYS, strict=True))],
            before=outlines(self._base),
            strokes=[],
        )
        self._history = History(self.strokes)
        self.observe(lambda change: self._history.keep(change["new"]), "strokes")
        self.on_msg(self._asked)

    @property
    def labels(self) -> NDArray[np.uint8]:
        """Label codes (h, w) as they stand; `fragkit.survey.LABEL_NAMES` explains them."""
        return paint(self.strokes, self._base)

    @property
    def example_px(self) -> tuple[float, float, float, float] | None:
        """The box (x0, y0, x1, y1) round an example of the motif; None as long as there is none."""
        boxes = [stroke["points"] for stroke in self.strokes if stroke["kind"] == "example"]
        if not boxes:
            return None
        corners = np.asarray(boxes[-1], float)
        x0, y0, x1, y1 = (round(float(value), 1) for value in (*corners.min(axis=0), *corners.max(axis=0)))
        return x0, y0, x1, y1

    def save(self) -> str:
        """Write the label picture, and its name and the example's box into survey.toml; say what was written.

        Raises
        ------
        OutputError
            A file cannot be written; what was there before is untouched.
        """
        codes = self.labels
        write_labels(codes, self._path)
        keys: dict[str, Any] = {"labels": self._path.name}
        if self.example_px is not None:
            keys["example_px"] = list(self.example_px)
        is_named = name_in_survey(self._path.parent, self._file, keys)
        said = f"Labels saved in {self._path.name}: {shares_words(codes)}."
        return said if is_named else f"{said} No survey.toml beside it names this photograph."

    def _asked(self, _widget: Any, message: dict[str, Any], _buffers: Any) -> None:
        """Do what the browser asks, and answer in words."""
        try:
            if message["ask"] == "save":
                self.strokes = message["strokes"]
                said = self.save()
            else:
                said = self._step(message["by"])
            self.send({"say": said})
        except (FragkitError, ValueError) as error:
            self.send({"say": str(error)})

    def _step(self, by: int) -> str:
        strokes = self._history.step(by)
        if strokes is None:
            return "There is nothing to undo." if by < 0 else "There is nothing to redo."
        self.strokes = strokes
        return "Undone." if by < 0 else "Done again."


def label_areas(photo: Path, *, labels: Path) -> AreaLabeller:
    """A widget to label the areas of the photograph at `photo` and to box an example of the motif.

    Parameters
    ----------
    photo : Path
        A photograph of a study.
    labels : Path
        PNG of the codes 0 not read, 1 ground, 2 shadow, 3 metal, 4 loss, 5 later work: opened if it is there,
        written by "Save".

    Raises
    ------
    SurveyError
        The photograph or the labels cannot be read.
    ValueError
        Labels of another size than the photograph.
    """
    return AreaLabeller(read_photo(Path(photo)), labels=Path(labels))


def _opened(labels: Path, shape: tuple[int, int]) -> NDArray[np.uint8]:
    """The labels so far; all "not read" when there are none yet."""
    if not labels.is_file():
        return np.zeros(shape, np.uint8)
    codes = read_labels(labels)
    if codes.shape != shape:
        raise ValueError(
            f"{labels.name} is {codes.shape[1]} × {codes.shape[0]} px, its photograph {shape[1]} × {shape[0]} px: "
            "labels are drawn on the upright photograph at its full size."
        )
    return codes
