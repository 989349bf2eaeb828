"""Rows pasted from a spreadsheet or typed: coordinates of points, and taped distances."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace

from fragkit.survey.marked import MarkedPoint, TapedDistance

_NUMBER = re.compile(r"[+-]?(\d+[.,]?\d*|[.,]\d+)")


def parse_number(cell: str) -> float | None:
    """A number with a decimal point or a decimal comma; None for anything else."""
    plain = cell.strip().replace("\N{MINUS SIGN}", "-")
    return float(plain.replace(",", ".")) if _NUMBER.fullmatch(plain) else None


def paste_coordinates(
    text: str, points: Sequence[MarkedPoint], *, sd_mm: float
) -> tuple[tuple[MarkedPoint, ...], tuple[str, ...]]:
    """Points with what `text` says of them, and the rows that say nothing.

    Parameters
    ----------
    text : str
        A row a point: name, x_mm, y_mm and perhaps sd_mm; or name, x_px, y_px, x_mm, y_mm and perhaps sd_mm,
        which also makes points that were not marked before.
    points : sequence of MarkedPoint
    sd_mm : float
        For points of which no error is known yet.
    """
    found = {point.name: point for point in points}
    unread = []
    for line, (name, *cells) in _lines(text):
        values = [parse_number(cell) for cell in cells]
        numbers = [value for value in values if value is not None]
        if len(numbers) != len(values) or len(numbers) not in (2, 3, 4, 5):
            unread.append(line)
            continue
        pixels, rest = (numbers[:2], numbers[2:]) if len(numbers) > 3 else (None, numbers)
        if pixels:
            found.setdefault(name, MarkedPoint(name=name, x_px=0.0, y_px=0.0))
            found[name] = replace(found[name], x_px=pixels[0], y_px=pixels[1])
        elif name not in found:
            unread.append(line)
            continue
        sd = rest[2] if len(rest) == 3 else found[name].sd_mm or sd_mm
        found[name] = replace(found[name], x_mm=rest[0], y_mm=rest[1], sd_mm=sd)
    return tuple(found.values()), tuple(unread)


def paste_distances(text: str, *, sd_mm: float) -> tuple[tuple[TapedDistance, ...], tuple[str, ...]]:
    """Distances (from, to, distance_mm and perhaps sd_mm in a row), and the rows that are none."""
    found, unread = [], []
    for line, cells in _lines(text):
        values = [parse_number(cell) for cell in cells[2:]]
        numbers = [value for value in values if value is not None and value > 0]
        if len(numbers) != len(values) or len(numbers) not in (1, 2) or not (cells[0] and cells[1]):
            unread.append(line)
            continue
        distance, sd = numbers[0], numbers[-1] if len(numbers) == 2 else sd_mm
        found.append(TapedDistance(start=cells[0], end=cells[1], distance_mm=distance, sd_mm=sd))
    return tuple(found), tuple(unread)


def _lines(text: str) -> Iterator[tuple[str, list[str]]]:
    """Each row that is not blank, and its cells; a first row without any figure is the header."""
    lines = [line.strip() for line in text.splitlines() if line.strip()]
    if lines and not any(parse_number(cell) is not None for cell in _cells(lines[0])):
        lines = lines[1:]
    for line in lines:
        yield line, _cells(line)


def _cells(line: str) -> list[str]:
    separator = next((sign for sign in "\t;" if sign in line), None)
    if separator:
        return [cell.strip() for cell in line.split(separator)]
    return [cell for cell in re.split(r",\s*|\s+" if not re.search(r"\s", line) else r",?\s+", line) if cell]
