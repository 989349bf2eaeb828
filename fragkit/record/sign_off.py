"""Sheets to sign: the find note, the brief, and the revision of a record."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from fragkit.errors import OutputError
from fragkit.record import plots, words
from fragkit.record.as_built import AsBuilt
from fragkit.record.comparing import Revision
from fragkit.record.folder import replace_file
from fragkit.record.html import Html, Part, bullets, facts, paragraph, table, tag
from fragkit.record.register import without_evidence
from fragkit.record.sheet import page, sheet
from fragkit.record.study_result import StudyResult, photo_file

N_WORST = 20

_NOT_STATED = "not stated: agree it before any work begins"


def find_note(result: StudyResult) -> str:
    """What was found, where, when and by whom, and the photographs that show it, each with its hash."""
    survey = result.survey
    parts: list[Part] = [
        facts(
            [
                ("Recorded by", ", ".join(survey.authors) or "nobody on record"),
                ("Date", survey.date or "not stated"),
                ("Regime", survey.regime or _NOT_STATED),
            ]
        )
    ]
    for fragment in survey.fragments:
        parts += [tag("h2", f"Fragment {fragment.name}"), facts(_of_fragment(result, fragment.name))]
        rows = [_of_photo(result, photo.name) for photo in survey.photos if photo.fragment == fragment.name]
        head = ["Photograph", "File", "SHA-256"]
        parts.append(table(head, rows, caption="What shows it.") if rows else paragraph("Measured by tape or tracing."))
    blanks = ("Layer, and what lies above and below", "Support and ground", "How it was uncovered", "Kept where")
    parts += [tag("h2", "To fill in on site"), facts((name, "") for name in blanks), _signatures("Found by", "Seen by")]
    return sheet(survey, "Find note", *parts)


def brief(result: StudyResult) -> str:
    """The regime, the recording level, and what the evidence justifies and what it does not."""
    survey = result.survey
    open_points = [*words.guessed(result), *words.not_done(result)]
    return sheet(
        survey,
        "Brief",
        facts(
            [
                ("Regime", survey.regime or _NOT_STATED),
                ("Recording level", survey.record_level or _NOT_STATED),
                ("Recorded by", ", ".join(survey.authors) or "nobody on record"),
            ]
        ),
        tag("h2", "What the evidence justifies"),
        bullets(words.known(result), empty="Nothing yet."),
        tag("h2", "What it does not justify"),
        bullets(open_points, empty="Nothing is open."),
        tag("h2", "Decisions without evidence, to be taken or confirmed"),
        bullets(without_evidence(result), empty="None."),
        tag("h2", "Before work begins"),
        bullets(words.next_steps(result), empty="Nothing is open."),
        _signatures("Client", "Conservator", "Authority"),
    )


def revision_sheet(revision: Revision) -> str:
    """What changed between two records, the hash of each, and room to sign."""
    rows = [[_capital(change.about), change.text] for change in revision.changes]
    changes: Part = paragraph("Walls, motifs, spacing, leaf, decisions and doubts are the same in both.")
    if rows:
        changes = table(["What", "Change"], rows, caption="Every difference, in the order of the work.")
    hashes = [("Earlier record", tag("code", revision.old_sha256)), ("Later record", tag("code", revision.new_sha256))]
    return page(
        "Revision",
        revision.title or "Untitled study",
        facts(hashes),
        paragraph(
            "The numbers are the SHA-256 of the two files results.json: a signature holds for these and no others."
        ),
        changes,
        bullets(revision.notes),
        _signatures("Conservator", "Client"),
    )


def write_revision(revision: Revision, path: Path) -> None:
    """Write the sheet of a revision as one HTML page.

    Raises
    ------
    OutputError
        The page cannot be written; what was there before is then untouched.
    """
    _write(path, revision_sheet(revision))


def as_built_sheet(walls: Sequence[AsBuilt], *, title: str = "") -> str:
    """Deviation map, worst motifs and verdict of every photographed wall, with room to sign."""
    parts: list[Part] = []
    for one in walls:
        rows = [[motif_id, f"{distance:.1f} ± {sd:.1f}"] for motif_id, distance, sd in one.worst(N_WORST)]
        parts += [
            tag("h2", f"Wall {one.wall}"),
            paragraph(one.words),
            plots.as_built(one),
            table(
                ["Motif", "Off its place, mm"], rows, caption="The worst, with one standard deviation.", numbers=(1,)
            ),
            bullets(one.notes),
        ]
    return page("As built", title or "New work against its layout", *parts, _signatures("Conservator", "Client"))


def write_as_built(walls: Sequence[AsBuilt], path: Path, *, title: str = "") -> None:
    """Write the sheet of the new work as one HTML page; errors as in `write_revision`."""
    _write(path, as_built_sheet(walls, title=title))


def _of_fragment(result: StudyResult, name: str) -> list[tuple[Part, Part]]:
    fragment = next(one for one in result.survey.fragments if one.name == name)
    where = "place not stated"
    if fragment.wall is not None:
        where = f"wall {fragment.wall}"
        if fragment.origin_mm is not None:
            x, y = fragment.origin_mm
            where += f", {x:.0f} mm right of and {y:.0f} mm above its datum, within {fragment.origin_sd_mm:.0f} mm"
    return [("Where", where), ("What", _what(result, name))]


def _what(result: StudyResult, name: str) -> str:
    if name in result.rows:
        return f"{words.count(result.rows[name].n_centres, 'motif')} of a single row"
    lattice = result.lattices.get(name)
    return "no repeat" if lattice is None else f"{words.count(lattice.n_centres, 'motif')} of a {lattice.net_type} net"


def _of_photo(result: StudyResult, name: str) -> list[Part]:
    file = photo_file(result, name) or ""
    return [name, file, tag("code", result.survey.sources.get(file, "not read"))]


def _write(path: Path, text: str) -> None:
    path = Path(path)
    if path.is_dir():
        raise OutputError(f"{path} is a folder. Name the page to write, such as {path.name}.html.")
    replace_file(path, text)


def _signatures(*roles: str) -> Html:
    rows = [[role, "", "", ""] for role in roles]
    form = table(["For", "Name", "Date", "Signature"], rows, caption="Signed.")
    return tag("div", form, class_="form")


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
