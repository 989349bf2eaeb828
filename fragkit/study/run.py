"""The whole study, room by room, doing again only what has changed."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Executor
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from fragkit import record
from fragkit.colour import judge_photograph
from fragkit.crew import Crew, crew_of
from fragkit.rectify import Rectified
from fragkit.study.bench import Bench, Made, Progress
from fragkit.study.cache import StageCache, open_cache
from fragkit.study.decoration import N_STEPS as N_DECORATION_STEPS
from fragkit.study.decoration import Decoration, begin_technique, end_technique, make_colours, make_repeat
from fragkit.study.digest import code_digest, digest, versions
from fragkit.study.fragments import Measured, begin_spacings, count_steps, measure_fragments
from fragkit.study.results import StudyResult
from fragkit.study.rooms import N_STEPS as N_WALL_STEPS
from fragkit.study.rooms import OnTheWalls, go_to_the_walls
from fragkit.survey import Survey, read_survey
from fragkit.threads import with_one_blas_thread
from fragkit.units import counted

K = TypeVar("K")
T = TypeVar("T")


@with_one_blas_thread
def run_study(
    folder: Path,
    *,
    out: Path | None = None,
    progress: Progress | None = None,
    cache: Path | None = None,
    executor: Executor | Callable[[], Executor] | None = None,
) -> StudyResult:
    """Everything that the study folder holds an answer to, from its photographs to marks on the wall.

    Parameters
    ----------
    folder : Path
        The study folder; nothing is written in it.
    out : Path, optional
        Folder for the record. It is written anew unless it already holds this very result.
    progress : callable, optional
        Called for each step with (stage, subject, steps done before, steps in all).
    cache : Path, optional
        Folder in which the results of stages are kept; default FRAGKIT_CACHE, else the user's cache folder.
    executor : Executor, or callable that makes one, optional
        Measures photographs and fragments side by side, with the same results; see `Crew`. Its workers must see
        the study and the cache under the same paths.

    Raises
    ------
    SurveyError
        The study folder has faults.
    OutputError
        The record cannot be written.

    Notes
    -----
    A stage that its data cannot carry is recorded in `skipped` with its reason; what does not need it goes
    on. A stage is computed again when the content of its inputs, its options, the package or its libraries
    changed.
    """
    survey = read_survey(Path(folder))
    store = open_cache(cache)
    with crew_of(executor) as crew:
        bench = Bench(store, progress, n_steps=_count_steps(survey, out), crew=crew)
        measured = measure_fragments(bench, survey)
        pooled, step = make_repeat(bench, survey, measured)
        technique, spacings = begin_technique(bench, survey, measured), begin_spacings(bench, survey, measured)
        colours = make_colours(bench, survey, measured)
        walls = go_to_the_walls(bench, survey, pooled, measured)
        decoration = Decoration(
            pooled=pooled,
            step=step,
            colours=colours,
            technique=end_technique(bench, survey, technique),
            spacings=bench.end(spacings),
        )
        result = _result(bench, survey, measured, decoration, walls, store.note)
        if out is not None:
            bench.announce("record", "study")
            _write_if_changed(result, Path(out), crew, store, digest(survey, *bench.keys))
    bench.finish()
    store.prune()
    return result


def _count_steps(survey: Survey, out: Path | None) -> int:
    steps = count_steps(survey) + N_DECORATION_STEPS + (out is not None)
    return steps + N_WALL_STEPS if survey.walls else steps


def _result(
    bench: Bench,
    survey: Survey,
    measured: Measured,
    decoration: Decoration,
    walls: OnTheWalls,
    note: str | None,
) -> StudyResult:
    return StudyResult(
        survey=survey,
        rectified=_Values(measured.rectified),
        overlaps=_Values(measured.overlaps),
        nets=_Values(measured.nets),
        centres=_Values(measured.centres),
        unreviewed=_Values(measured.unreviewed),
        merged=_Values(measured.merged),
        lattices=_Values(measured.lattices),
        rows=_Values(measured.rows),
        spacings=_Values(decoration.spacings),
        motif=_value(measured.motif),
        pooled=_value(decoration.pooled),
        step=_value(decoration.step),
        colours=_value(decoration.colours),
        technique=_value(decoration.technique),
        placed=walls.placed,
        layout=_value(walls.layout),
        setting=_value(walls.setting),
        takeoff=_value(walls.takeoff),
        works=_value(walls.works),
        skipped=tuple(bench.skipped),
        provenance=_provenance(survey),
        notes=(*((note,) if note else ()), *_image_quality(bench, measured)),
    )


def _image_quality(bench: Bench, measured: Measured) -> Iterator[str]:
    """What each photograph reaches, those that reach the same in one sentence."""
    alike: dict[str, list[str]] = {}
    for name, made in measured.rectified.items():
        told = bench.derive((made, "quality"), partial(_quality_in_words, made))
        alike.setdefault(told.value, []).append(name)
    for text, names in alike.items():
        yield f"{counted(len(names), 'photograph')} ({', '.join(names)}): {text}"


def _quality_in_words(plane: Made[Rectified]) -> str:
    return judge_photograph(plane.value).text


def _provenance(survey: Survey) -> dict[str, Any]:
    return {
        "version": versions()["fragkit"],
        "versions": dict(versions()),
        "code_sha256": code_digest(),
        "sources_sha256": dict(survey.sources),
        "seed": survey.seed,
        "options": {
            "on_axis": survey.layout.on_axis,
            "follow": survey.layout.follow,
            "choice": survey.layout.choice,
            "irregularity_ratio": survey.layout.irregularity_ratio,
        },
    }


def _value(made: Made[T] | None) -> T | None:
    return made.value if made is not None else None


class _Values(Mapping[K, T]):
    """Results by name, each read when it is asked for."""

    def __init__(self, made: Mapping[K, Made[T]]) -> None:
        self._made = dict(made)

    def __getitem__(self, name: K) -> T:
        return self._made[name].value

    def __iter__(self) -> Iterator[K]:
        return iter(self._made)

    def __len__(self) -> int:
        return len(self._made)


def _write_if_changed(result: StudyResult, out: Path, crew: Crew, store: StageCache, contents_key: str) -> None:
    """Write the record, unless the folder holds the very files that this result wrote there before."""
    key = digest("record", contents_key, code_digest(), versions(), str(out.resolve()))
    is_kept, files = store.load(key)
    if is_kept and all(_state(out / name) == state for name, state in files.items()):
        return
    record.write_record(result, out, crew=crew)
    store.store(key, {path.relative_to(out).as_posix(): _state(path) for path in out.rglob("*") if path.is_file()})


def _state(path: Path) -> tuple[int, int] | None:
    if not path.is_file():
        return None
    state = path.stat()
    return state.st_size, state.st_mtime_ns
