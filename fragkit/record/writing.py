"""Writing a record: every file of it, or none."""

from __future__ import annotations

import json
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from fragkit.crew import Begun, Crew
from fragkit.errors import OutputError
from fragkit.parcel import packed, unpacked
from fragkit.record.annotations import annotations_json
from fragkit.record.drawings import forms_svg, motif_svg
from fragkit.record.folder import RESULTS, Drafts, drafts, file_names, remove_stale
from fragkit.record.geometry import geometry_json
from fragkit.record.handouts import care_sheet, order_csv, order_list, stopwatch_form, trial_csv
from fragkit.record.pictures import png_bytes, tiff_bytes
from fragkit.record.provenance import provenance_json
from fragkit.record.register import register
from fragkit.record.report import begin_sections, end_sections, report_html
from fragkit.record.results import results_json
from fragkit.record.schema import schema_text
from fragkit.record.sign_off import brief, find_note
from fragkit.record.study_result import StudyResult
from fragkit.record.tables import centres_csv, evidence_csv, layout_csv, readings_form_csv, setting_csv, works_csv
from fragkit.setting_out import (
    SettingOut,
    check_marks,
    draw_check_sheet,
    draw_sheets,
    draw_tick_off,
    draw_wall,
    draw_wall_svg,
)

if TYPE_CHECKING:
    from fragkit.layout import Layout
    from fragkit.motifs import Motif


def write_record(result: StudyResult, out: Path, *, crew: Crew | None = None) -> None:
    """Write report, tables, pictures and drawings of a study into the folder `out`.

    Parameters
    ----------
    result : StudyResult
        As far as the study got: what is None or missing has no file.
    out : Path
        Made if it does not exist. Files of an earlier record that this one no longer has are removed, unless
        somebody changed them.
    crew : Crew, optional
        Its workers draw a part of the report and what is set out from.

    Raises
    ------
    OutputError
        If `out` is the study folder itself or cannot be written; what was there before is then untouched.

    Notes
    -----
    All files are written beside their place and renamed when all are complete, `results.json` last: it lists
    the others with their SHA-256, so a record that was cut off in the middle of renaming is told by
    `read_record`.
    """
    out = Path(out)
    if out.resolve() == Path(result.survey.folder).resolve():
        raise OutputError(
            f"{out} is the study folder itself, which is never written to. Choose another folder with --out DIR."
        )
    before = _files_before(out)
    crew = crew or Crew()
    sections, drawings = begin_sections(result, crew), _begin_drawings(result, crew)
    with drafts(out, last=RESULTS) as record:
        _write_evidence(result, record)
        _write_walls(result, record)
        _write_evidence_register(result, record)
        record.write("report.html", report_html(result, drawn=end_sections(result, sections, crew)))
        for name, content in _end_drawings(drawings, crew).items():
            record.write(name, content)
        record.write("results.schema.json", schema_text())
        record.write("provenance.jsonld", provenance_json(result, files=record.sha256))
        record.write(RESULTS, results_json(result, files=record.sha256))
    remove_stale(out, before=before, now=record.sha256)


def _write_evidence(result: StudyResult, record: Drafts) -> None:
    names = file_names(result.rectified)
    for name, rectified in result.rectified.items():
        record.write(f"rectified/{names[name]}.tif", tiff_bytes(rectified.picture))
        record.write(f"rectified/{names[name]}.png", png_bytes(rectified.picture))
    record.write("centres.csv", centres_csv(result))
    if result.motif is not None:
        record.write("motif.svg", motif_svg(result.motif))


def _write_evidence_register(result: StudyResult, record: Drafts) -> None:
    record.write("evidence.csv", evidence_csv(register(result)))
    record.write("annotations.jsonld", annotations_json(result))
    record.write("sign-off/find-note.html", find_note(result))
    record.write("sign-off/brief.html", brief(result))


def _write_walls(result: StudyResult, record: Drafts) -> None:
    if result.layout is not None:
        record.write("layout.csv", layout_csv(result.layout))
        record.write("geometry.json", geometry_json(result))
        record.write("forms.svg", forms_svg(result.layout))
    if result.takeoff is not None or result.works is not None:
        record.write("works.csv", works_csv(result.takeoff, result.works))
        record.write("works/order.html", order_list(result))
        record.write("works/order.csv", order_csv(result.takeoff, result.works))
        record.write("works/stopwatch.html", stopwatch_form(result))
        record.write("works/trial-to-fill-in.csv", trial_csv())
        record.write("works/care.html", care_sheet(result))


def _begin_drawings(result: StudyResult, crew: Crew) -> Begun | None:
    """The drawings and tables for setting out, which a worker makes while other files are written."""
    if result.layout is None or result.setting is None or result.motif is None:
        return None
    return crew.begin([partial(_open_and_draw, packed((result.layout, result.setting, result.motif)))])


def _end_drawings(begun: Begun | None, crew: Crew) -> dict[str, bytes | str]:
    return crew.collect(begun)[0] if begun is not None else {}


def _open_and_draw(parcel: bytes) -> dict[str, bytes | str]:
    return _setting_out_files(*unpacked(parcel))


def _setting_out_files(layout: Layout, setting_out: SettingOut, motif: Motif) -> dict[str, bytes | str]:
    """Everything that goes up the ladder, by name in the record."""
    laid_out = {wall.name: wall for wall in layout.walls}
    names = file_names(setting.name for setting in setting_out.walls)
    files: dict[str, bytes | str] = {}
    for setting in setting_out.walls:
        wall, name = laid_out[setting.name], names[setting.name]
        files[f"setting-out/{name}.csv"] = setting_csv(setting.rows)
        files[f"setting-out/{name}.pdf"] = draw_wall(setting, wall, motif)
        files[f"setting-out/{name}.svg"] = draw_wall_svg(setting, wall, motif)
        files[f"setting-out/check-sheets/{name}.pdf"] = draw_check_sheet(setting)
        files[f"setting-out/tick-off/{name}.pdf"] = draw_tick_off(setting)
        files[f"readings/{name}.csv"] = readings_form_csv(check_marks(setting))
    sheets = draw_sheets(layout, motif)
    stems = file_names(Path(name).stem for name in sheets)
    return files | {f"sheets/{stems[Path(name).stem]}.pdf": content for name, content in sheets.items()}


def _files_before(out: Path) -> dict[str, str]:
    """Files of the record that lies in `out` now; none if there is none that can be read."""
    try:
        content = json.loads((out / RESULTS).read_text(encoding="utf-8"))
        return {str(path): str(digest) for path, digest in content["files"].items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}
