"""Two records of one study compared, in the words of the trade, for sign-off."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from fragkit.card import card
from fragkit.record import words
from fragkit.record.folder import RESULTS
from fragkit.record.reading import Record
from fragkit.sketch import sketch_bars
from fragkit.units import interval

STAYS_MM = 0.5
"""A motif that moves by no more stays where it was: half of what is rounded to on the setting-out sheets."""


@dataclass(frozen=True, kw_only=True)
class Change:
    """One difference: what it is about, and what was and is now."""

    about: str
    text: str


@dataclass(frozen=True, eq=False, kw_only=True)
class Revision:
    """What a later record says otherwise than an earlier one.

    Attributes
    ----------
    title : str
        Of the later study.
    old_sha256, new_sha256 : str
        Of the two `results.json`, so that a signature holds for these very records.
    changes : tuple of Change
        In the order of the work; empty when the records say the same.
    notes : tuple of str
        What is doubtful about either record.
    """

    title: str
    old_sha256: str
    new_sha256: str
    changes: tuple[Change, ...]
    notes: tuple[str, ...] = ()

    def __repr__(self) -> str:
        return f"Revision({self.title!r}, {words.count(len(self.changes), 'change')})"

    def _repr_html_(self) -> str:
        rows = [(change.about, change.text) for change in self.changes] or [("no difference", "")]
        counts = Counter(change.about for change in self.changes)
        drawn = sketch_bars("Changes by what they are about", dict(counts), unit="changed")
        return card(f"What changed: {self.title}", rows, notes=self.notes, drawing=drawn)


def compare_records(old: Record, new: Record) -> Revision:
    """What `new` says otherwise than `old`: evidence, repeat, technique, motif, walls, leaf, decisions, doubts.

    Parameters
    ----------
    old, new : Record
        As `read_record` gives them.

    Raises
    ------
    ValueError
        If the first is not a record; it says how to read one.
    """
    for record in (old, new):
        if not isinstance(record, Record):
            raise ValueError(f"{record!r} is no record: read it with read_record(DIR) first.")
    before, after = old.results, new.results
    makers = (_evidence, _repeat, _technique, _motif, _works, _decisions, _doubts)
    found = [change for make in makers[:4] for change in make(before, after)]
    found += _walls(old, new)
    found += [change for make in makers[4:] for change in make(before, after)]
    notes = [f"{name} record: {note}" for name, record in (("Earlier", old), ("Later", new)) for note in record.notes]
    return Revision(
        title=after["study"]["title"],
        old_sha256=_sha256(old),
        new_sha256=_sha256(new),
        changes=tuple(found),
        notes=tuple(notes),
    )


def _sha256(record: Record) -> str:
    return hashlib.sha256((record.folder / RESULTS).read_bytes()).hexdigest()


def _evidence(before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[Change]:
    old, new = before["study"]["sources"], after["study"]["sources"]
    for text, names in (
        ("new", sorted(set(new) - set(old))),
        ("no longer used", sorted(set(old) - set(new))),
        ("changed", sorted(name for name in set(old) & set(new) if old[name] != new[name])),
    ):
        if names:
            yield Change(about="files of the study", text=f"{text}: {', '.join(names)}")
    for key, about in (("regime", "regime"), ("record_level", "recording level"), ("date", "date of the study")):
        yield from _turned(about, before["study"][key] or "none", after["study"][key] or "none")


def _repeat(before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[Change]:
    old, new = before["proposal"], after["proposal"]
    if old is None or new is None:
        yield from _appeared("repeat", old, new)
        return
    for key, bounds, about in (
        ("across_mm", "interval_across_mm", "spacing along the row"),
        ("down_mm", "interval_down_mm", "spacing from row to row"),
    ):
        shown = [words.best(one[key], one[bounds]) for one in (old, new)]
        if shown[0] != shown[1]:
            inside = old[bounds][0] <= new[key] <= old[bounds][1]
            verdict = "within what was known before" if inside else "outside what was known before"
            yield Change(about=about, text=f"was {shown[0]}, is {shown[1]}; {verdict}")
    shifts = [words.offset_words(one["offset_ratio"]) for one in (old, new)]
    yield from _turned("each row is moved by", *shifts)
    yield from _turned("net", old["net_type"], new["net_type"])
    yield from _turned(
        "the repeat rests on", *({"typed": "a typed value"}.get(p["basis"], "evidence") for p in (old, new))
    )
    wider = [interval(one["interval_new_wall"]["across_mm"], "mm") for one in (old, new)]
    yield from _turned("spacing on a wall not yet seen", *wider)


def _technique(before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[Change]:
    old, new = ({one["name"]: one["technique"] for one in results["fragments"]} for results in (before, after))
    for what, about in (("placing", "how the motifs were placed"), ("forming", "how the motifs were formed")):
        told = [{name: one[what]["verdict"] for name, one in side.items() if one is not None} for side in (old, new)]
        if len(set(told[0].values())) <= 1 and len(set(told[1].values())) <= 1:
            yield from _turned(about, *(next(iter(side.values()), "not weighed") for side in told))
            continue
        for name in sorted({*told[0], *told[1]}):
            yield from _turned(f"{about}, {name}", *(side.get(name, "not weighed") for side in told))


def _motif(before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[Change]:
    old, new = before["motif"], after["motif"]
    if old is None or new is None:
        yield from _appeared("motif", old, new)
        return
    sizes = [f"{one['metal_width_mm']:.1f} × {one['metal_height_mm']:.1f} mm" for one in (old, new)]
    yield from _turned("metal of the motif", *sizes)
    yield from _turned("examples of the motif", *(f"{one['n_examples']:,}" for one in (old, new)))


def _walls(old: Record, new: Record) -> Iterator[Change]:
    before, after = ({wall["name"]: wall for wall in record.results["walls"]} for record in (old, new))
    for name in [*before, *(name for name in after if name not in before)]:
        about = f"wall {name}"
        if name not in before or name not in after:
            yield from _appeared(about, before.get(name), after.get(name))
            continue
        was, now = before[name], after[name]
        yield from _turned(f"{about}, motifs", *(f"{wall['n_motifs']:,}" for wall in (was, now)))
        spacing = [" × ".join(f"{part:.1f}" for part in wall["spacing_mm"]) + " mm" for wall in (was, now)]
        yield from _turned(f"{about}, spacing", *spacing)
        yield from _turned(f"{about}, on the axis", was["on_axis"], now["on_axis"])
        yield from _turned(f"{about}, left out", *(str(len(wall["dropped"])) for wall in (was, now)))
        places = [_places(record, name) for record in (old, new)]
        yield from _moved(about, *places, reach_mm=0.5 * min(was["spacing_mm"]))


def _places(record: Record, wall: str) -> list[Mapping[str, str]]:
    return [row for row in record.tables.get("layout", ()) if row["wall"] == wall]


def _moved(
    about: str, old: Sequence[Mapping[str, str]], new: Sequence[Mapping[str, str]], *, reach_mm: float
) -> Iterator[Change]:
    """Motifs that moved, came, went, or changed their form or class: each paired with the nearest of the other."""
    was, now = _xy(old), _xy(new)
    pairs = pairs_within(was, now, reach_mm=reach_mm)
    steps = np.array([np.hypot(*(now[k] - was[i])) for i, k in pairs])
    stayed = int(np.sum(steps <= STAYS_MM)) if len(steps) else 0
    if stayed < len(pairs):
        far = int(np.argmax(steps))
        text = f"{words.count(len(pairs) - stayed, 'motif')} moved by up to {steps[far]:.1f} mm"
        yield Change(about=about, text=f"{text} ({new[pairs[far][1]]['id']}); {stayed:,} stay within {STAYS_MM:g} mm")
    for text, number in (("come", len(new) - len(pairs)), ("go", len(old) - len(pairs))):
        if number:
            yield Change(
                about=about, text=f"{words.count(number, 'motif')} {text}{'s' * (number == 1 and text == 'come')}"
            )
    for key, what in (("form", "another form"), ("position_class", "another class of certainty")):
        number = sum(old[i][key] != new[k][key] for i, k in pairs)
        if number:
            yield Change(about=about, text=f"{words.count(number, 'motif')} with {what}")


def _xy(rows: Sequence[Mapping[str, str]]) -> NDArray[np.float64]:
    return np.array([(float(row["x_mm"]), float(row["y_mm"])) for row in rows]).reshape(-1, 2)


def pairs_within(was: NDArray[Any], now: NDArray[Any], *, reach_mm: float) -> list[tuple[int, int]]:
    """Rows of `was` and `now` that are each other's nearest, no further apart than `reach_mm`."""
    if not len(was) or not len(now):
        return []
    distance, there = cKDTree(now).query(was)
    back = cKDTree(was).query(now)[1]
    return [(i, int(k)) for i, k in enumerate(there) if back[k] == i and distance[i] <= reach_mm]


def _works(before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[Change]:
    old, new = before["works"] or {}, after["works"] or {}
    for key, about in (("metal", "metal of the leaf"), ("n_leaves", "leaves"), ("n_books", "books of leaf")):
        yield from _turned(about, *(_shown((side.get("leaf") or {}).get(key)) for side in (old, new)))
    labour = [side.get("labour_h") for side in (old, new)]
    yield from _turned("labour", *(_hours(one) for one in labour))
    totals = [((side.get("cost") or {}).get("known_lines_total")) for side in (old, new)]
    yield from _turned("known costs", *(_range(one) for one in totals))
    gaps = [len((side.get("cost") or {}).get("gaps", ())) for side in (old, new)]
    yield from _turned("gaps in the costs", *(str(number) for number in gaps))


def _shown(value: Any) -> str:
    return "none" if value is None else f"{value:,}" if isinstance(value, int) else str(value)


def _range(spread: Mapping[str, float] | None) -> str:
    if spread is None:
        return "none"
    return f"{words.two_digits(spread['p05'])} to {words.two_digits(spread['p95'])}"


def _hours(labour: Mapping[str, Any] | None) -> str:
    return "none" if labour is None else f"{_range(labour)} h ({labour['basis']})"


def _decisions(before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[Change]:
    old, new = ({one["what"]: one["choice"] for one in results["decisions"]} for results in (before, after))
    for what in [*old, *(what for what in new if what not in old)]:
        yield from _turned(f"decision on {what[:1].lower()}{what[1:]}", old.get(what, "none"), new.get(what, "none"))


def _doubts(before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[Change]:
    old, new = ([f"{one['about']}: {one['text']}" for one in results["notes"]] for results in (before, after))
    for about, texts in (
        ("new doubt", [text for text in new if text not in old]),
        ("doubt that is gone", [text for text in old if text not in new]),
    ):
        for text in texts:
            yield Change(about=about, text=text)


def _turned(about: str, was: str, now: str) -> Iterator[Change]:
    if was != now:
        yield Change(about=about, text=f"was {was}, is {now}")


def _appeared(about: str, was: Any, now: Any) -> Iterator[Change]:
    if was is None and now is not None:
        yield Change(about=about, text="is new")
    if was is not None and now is None:
        yield Change(about=about, text="is gone")
