"""The command `fragkit`: run a study, check it, or start one."""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from functools import partial
from importlib import import_module
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer
from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from fragkit.errors import Fault, FragkitError, OutputError, SurveyError
from fragkit.units import counted

DONE, NO_ANSWER, FAULT, INTERRUPTED = 0, 1, 2, 130
_ROOM_OF = {
    "read_survey": "survey.reading",
    "starting_files": "survey.starting",
    "run_study": "study",
    "read_record": "record",
    "compare_records": "record",
    "write_revision": "record",
    "compare_as_built": "record",
    "write_as_built": "record",
    "run_campaign": "study",
    "summary_rows": "study",
    "processes": "crew",
}
"""Rooms are loaded when a command needs them, so that `fragkit --help` answers at once."""

_WORKERS_HELP = "Processes that measure photographs side by side. [default: as many as there are cores]"
_SCHEDULER_HELP = "Address of a running Dask cluster that measures instead; it must see the same folders."
_OUT_HELP = "Folder for the results. [default: ./STUDY-record; of several studies ./records]"
Study = Annotated[Path, typer.Argument(help="Study folder with survey.toml.", metavar="STUDY")]

app = typer.Typer(
    name="fragkit",
    help="From photographs of fragments of a repeating wall decoration to marks on the wall.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)


def main() -> None:
    """Entry point of the command."""
    app()


@app.command()
def run(
    studies: Annotated[list[Path], typer.Argument(help="Study folders with survey.toml.", metavar="STUDY…")],
    out: Annotated[Path | None, typer.Option("--out", help=_OUT_HELP, metavar="DIR")] = None,
    workers: Annotated[int | None, typer.Option(min=1, help=_WORKERS_HELP, metavar="N")] = None,
    scheduler: Annotated[str | None, typer.Option(help=_SCHEDULER_HELP, metavar="ADDRESS")] = None,
) -> None:
    """Do the whole job: measure, lay out, and write the record.

    Of several studies each has its record in a folder of its own name, and one that fails does not stop the rest.
    """
    with _plain_faults(), _executor(workers, scheduler) as executor:
        if len(studies) == 1:
            raise typer.Exit(_run_one(studies[0], out, executor))
        raise typer.Exit(_run_many(studies, out, executor))


def _run_one(study: Path, out: Path | None, executor: Any) -> int:
    target = out if out is not None else Path.cwd() / f"{study.resolve().name}-record"
    _refuse_output(study, target)
    with _progress() as report:
        result = _room("run_study")(study, out=target, progress=report, executor=executor)
    _print_summary(result, target)
    return DONE if result.is_answered else NO_ANSWER


def _run_many(studies: list[Path], out: Path | None, executor: Any) -> int:
    target = out if out is not None else Path.cwd() / "records"
    for study in studies:
        _refuse_output(study, target)
    with _progress() as report:
        campaign = _room("run_campaign")(studies, out=target, progress=report, executor=executor)
    for name, outcome in campaign.items():
        typer.echo(name)
        _print_rows(outcome.summary)
        for line in outcome.skipped:
            typer.echo(f"  Skipped: {line}")
        if outcome.fault is not None:
            typer.echo(f"  No record: {outcome.fault}")
    n_faulty, n_unanswered = len(campaign.faulty), len(campaign.unanswered)
    typer.echo(
        f"{counted(len(campaign), 'study', 'studies')}: {len(campaign) - n_faulty - n_unanswered} answered, "
        f"{n_unanswered} without an answer, {n_faulty} without a record. Records: {target}"
    )
    if n_faulty:
        return FAULT
    return NO_ANSWER if n_unanswered == len(campaign) else DONE


@app.command()
def check(
    study: Study,
) -> None:
    """Name every fault of a study folder; write nothing."""
    with _plain_faults():
        survey = _room("read_survey")(study)
    counts = ", ".join(
        counted(len(entries), noun)
        for entries, noun in (
            (survey.photos, "photograph"),
            (survey.fragments, "fragment"),
            (survey.walls, "wall"),
        )
    )
    typer.echo(f"No fault found: {counts}.")
    for note in survey.notes:
        typer.echo(f"Note: {note}")


@app.command()
def compare(
    old: Annotated[Path, typer.Argument(help="Folder of the earlier record.", metavar="OLD")],
    new: Annotated[Path, typer.Argument(help="Folder of the later record.", metavar="NEW")],
    sheet: Annotated[
        Path | None, typer.Option(help="Page to write, with both hashes and room to sign.", metavar="FILE.html")
    ] = None,
) -> None:
    """Say what a later record says otherwise than an earlier one: walls, motifs, spacing, leaf, decisions."""
    with _plain_faults():
        revision = _room("compare_records")(_room("read_record")(old), _room("read_record")(new))
        if sheet is not None:
            _room("write_revision")(revision, sheet)
    for note in revision.notes:
        typer.echo(f"Note: {note}")
    for change in revision.changes:
        typer.echo(f"{change.about[:1].upper()}{change.about[1:]}: {change.text}")
    if not revision.changes:
        typer.echo("The two records say the same.")
    if sheet is not None:
        typer.echo(f"To sign: {sheet}")


@app.command("as-built")
def as_built(
    record: Annotated[Path, typer.Argument(help="Folder of the record with the layout.", metavar="RECORD")],
    study: Annotated[
        Path, typer.Argument(help="Study of photographs of the new work, with its walls.", metavar="STUDY")
    ],
    tolerance_mm: Annotated[
        float, typer.Option("--tolerance", help="Largest distance of a motif from its place, in mm.", metavar="MM")
    ],
    sheet: Annotated[
        Path | None, typer.Option(help="Page to write, with the deviations drawn.", metavar="FILE.html")
    ] = None,
) -> None:
    """Measure the new work on its photographs, and say which motifs stand where the layout has them."""
    with _plain_faults():
        layout = _room("read_record")(record)
        with _progress() as report:
            result = _room("run_study")(study, progress=report)
        walls = _room("compare_as_built")(result.placed, layout, tolerance_mm=tolerance_mm)
        if sheet is not None:
            _room("write_as_built")(walls, sheet, title=result.survey.title)
    for entry in result.skipped:
        typer.echo(f"Skipped: {entry}")
    for wall in walls:
        typer.echo(f"Wall {wall.wall}: {wall.words}")
        for name, distance, sd in wall.worst(5):
            typer.echo(f"  {name}: {distance:.1f} mm from its place, known to {sd:.1f} mm")
        for note in wall.notes:
            typer.echo(f"  Note: {note}")
    if not walls:
        typer.echo("No fragment of the new work has a wall and an origin, so none can be laid over the layout.")
        raise typer.Exit(NO_ANSWER)
    if sheet is not None:
        typer.echo(f"Sheet: {sheet}")


@app.command()
def new(
    study: Annotated[Path, typer.Argument(help="Folder to make.", metavar="STUDY")],
    photos: Annotated[list[Path], typer.Argument(help="Photographs; they are copied.", metavar="PHOTO…")],
) -> None:
    """Start a study folder: the photographs, and a survey file to fill in."""
    with _plain_faults():
        missing = [path for path in photos if not path.is_file()]
        if missing:
            _stop(f"{missing[0]}: there is no such photograph. Correct its name; nothing was made.")
        if study.exists() and (not study.is_dir() or any(study.iterdir())):
            _stop(f"{study} is there already and is not empty. Choose another name; nothing in it was touched.")
        texts = _room("starting_files")(study.resolve().name, photos)
        _make_study(study, texts, photos)
    tables = counted(len(texts) - 1, "empty table")
    typer.echo(f"Made {study} with {counted(len(photos), 'photograph')} and {tables}.")
    typer.echo(
        "Next: enter the control points in the tables, or point at them in notebook 1; complete survey.toml; then"
    )
    typer.echo(f"  fragkit check {study}")


@contextmanager
def _executor(workers: int | None, scheduler: str | None) -> Iterator[Any]:
    """What measures side by side: a cluster's executor, what starts processes on demand, or None for one process."""
    if scheduler is not None:
        if workers is not None:
            _stop("Give --workers or --scheduler, not both: the cluster has its own workers.")
        with _cluster(scheduler) as executor:
            yield executor
        return
    n_workers = workers or _n_cores()
    yield partial(_room("processes"), n_workers) if n_workers > 1 else None


@contextmanager
def _cluster(address: str) -> Iterator[Any]:
    try:
        distributed = import_module("distributed")
    except ImportError:
        _stop('A cluster needs Dask: pip install "fragkit[cluster]"')
    try:
        client = distributed.Client(address, timeout="10s")
    except OSError as error:
        _stop(f"No Dask scheduler answers at {address} ({error}). Start one, or leave --scheduler out.")
    with client:
        yield client.get_executor(pure=False)


def _n_cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _room(name: str) -> Any:
    """The function `name` of its room, loaded now."""
    return getattr(import_module(f"fragkit.{_ROOM_OF[name]}"), name)


@contextmanager
def _plain_faults() -> Iterator[None]:
    """Faults of the input or the call end the command with their message and status 2, an interrupt with 130."""
    try:
        yield
    except SurveyError as error:
        _print_faults(error.faults)
        raise typer.Exit(FAULT) from None
    except (FragkitError, ValueError) as error:
        _stop(str(error))
    except KeyboardInterrupt:
        typer.echo("Stopped. What was finished is kept: the same command goes on from there.", err=True)
        raise typer.Exit(INTERRUPTED) from None


def _stop(message: str) -> NoReturn:
    typer.echo(message, err=True)
    raise typer.Exit(FAULT)


def _print_faults(faults: tuple[Fault, ...]) -> None:
    """Faults file by file, each with its place, what is wrong and what to do."""
    for file in dict.fromkeys(fault.file for fault in faults):
        typer.echo(file, err=True)
        for fault in faults:
            if fault.file == file:
                place = f"line {fault.where}" if fault.where.isdigit() else fault.where
                typer.echo(f"  {place}: {fault.message}" if place else f"  {fault.message}", err=True)
                if fault.remedy:
                    typer.echo(f"      {fault.remedy}", err=True)
    typer.echo(f"{counted(len(faults), 'fault')} found.", err=True)


def _refuse_output(study: Path, out: Path) -> None:
    """Stop before any long work when the record could not be written, or would fall into the study folder."""
    if out.resolve().is_relative_to(study.resolve()):
        raise OutputError(
            f"The results would go to {out}, inside the study folder, which is never written to. "
            "Give another folder: fragkit run STUDY --out DIR"
        )
    made = [folder for folder in (out, *out.parents) if not folder.exists()]
    try:
        out.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=out):
            pass
    except OSError as error:
        reason = error.strerror or str(error)
        raise OutputError(
            f"The results cannot be written to {out}: {reason}. Nothing was computed. "
            "Give a folder that you may write to: fragkit run STUDY --out DIR"
        ) from None
    finally:
        for folder in made:
            with suppress(OSError):
                folder.rmdir()


def _make_study(study: Path, texts: dict[str, str], photos: list[Path]) -> None:
    """The new folder, made beside its place and moved there whole."""
    try:
        study.parent.mkdir(parents=True, exist_ok=True)
        beside = Path(tempfile.mkdtemp(prefix=f".{study.name}-", dir=study.parent))
        try:
            for path in photos:
                shutil.copyfile(path, beside / path.name)
            for name, text in texts.items():
                (beside / name).write_text(text, encoding="utf-8")
            beside.chmod(0o755)
            os.replace(beside, study)
        finally:
            shutil.rmtree(beside, ignore_errors=True)
    except OSError as error:
        raise OutputError(
            f"The study folder {study} cannot be made: {error.strerror or error}. Choose another place."
        ) from None


@contextmanager
def _progress() -> Iterator[Any]:
    """A progress report on a terminal; None, and so silence, when the output goes elsewhere."""
    if not sys.stderr.isatty():
        yield None
        return
    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bars:
        task = bars.add_task("reading", total=None)

        def report(stage: str, subject: str, done: int, total: int) -> None:
            words = stage if subject in ("", "study") else f"{stage} {subject}"
            bars.update(task, description=escape(words), completed=done, total=total)

        yield report


def _print_summary(result: Any, out: Path) -> None:
    """What came out, in words, and where it lies."""
    typer.echo(result.survey.title)
    _print_rows(_room("summary_rows")(result))
    for entry in result.skipped:
        typer.echo(f"Skipped: {entry}")
    for note in result.notes:
        typer.echo(f"Note: {note}")
    if not result.is_answered:
        typer.echo("No fragment shows a repeat, so there is nothing to lay out; see what was skipped, above.")
    report = out / "report.html"
    typer.echo(f"Report: {report}" if report.is_file() else f"Results: {out}")
    if report.is_file():
        typer.echo(f"All results: {out}")


def _print_rows(rows: Iterable[tuple[str, str]]) -> None:
    for name, text in rows:
        typer.echo(f"  {name + ':':<12} {text}" if name else f"{'':15}{text}")
