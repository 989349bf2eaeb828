"""What is wrong with a key, in plain words."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from pydantic_core import ErrorDetails

_COMMA_NUMBER = re.compile(r"\s*[+-]?\d+,\d+\s*")


def explain(detail: ErrorDetails, known: Iterable[str] = ()) -> tuple[str, str]:
    """A validation error in plain words: what is wrong, and what to do."""
    key = _key(detail["loc"])
    value = detail["input"]
    if isinstance(value, str) and detail["type"] in _NUMBER_ERRORS and _COMMA_NUMBER.fullmatch(value):
        message, remedy = decimal_comma(value)
        return f"{key}: {message}", remedy
    rule = _RULES.get(detail["type"])
    if rule is None:
        return f"{key}: {detail['msg']} (found {_short(value)}).", ""
    return rule(key, detail, sorted(known))


def suggestion(word: str, known: Iterable[str]) -> str:
    """`Did you mean …?` when a known word is near, else the list of known words."""
    choices = list(known)
    near = difflib.get_close_matches(word, choices, n=1, cutoff=0.6)
    return f"Did you mean {near[0]!r}?" if near else f"Known here: {', '.join(choices) or 'none'}."


def decimal_comma(written: str) -> tuple[str, str]:
    """What to say of a number with a decimal comma."""
    return f"decimal comma in {written.strip()}.", f"Write {written.strip().replace(',', '.')}."


def _key(loc: tuple[Any, ...]) -> str:
    words = [part for part in loc if isinstance(part, str)]
    numbers = [part for part in loc if isinstance(part, int)]
    if not words:
        return "the table"
    return f"{words[-1]!r}" + (f" (entry {numbers[0] + 1})" if numbers else "")


def _short(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


Rule = Callable[[str, ErrorDetails, list[str]], tuple[str, str]]


def _missing(key: str, detail: ErrorDetails, known: list[str]) -> tuple[str, str]:
    return f"key {key} is missing.", "Add it."


def _unknown(key: str, detail: ErrorDetails, known: list[str]) -> tuple[str, str]:
    word = str(detail["loc"][-1])
    return f"unknown key {key}.", suggestion(word, known)


def _not_a_number(key: str, detail: ErrorDetails, known: list[str]) -> tuple[str, str]:
    remedy = "Write the number without quotation marks and without a unit."
    return f"{key} must be a number, found {_short(detail['input'])}.", remedy


def _not_whole(key: str, detail: ErrorDetails, known: list[str]) -> tuple[str, str]:
    return (
        f"{key} must be a whole number, found {_short(detail['input'])}.",
        "Write it without a decimal point.",
    )


def _not_finite(key: str, detail: ErrorDetails, known: list[str]) -> tuple[str, str]:
    return (
        f"{key} is {detail['input']}, which is no measurement.",
        "Write the measured value or leave the entry out.",
    )


def _out_of_range(key: str, detail: ErrorDetails, known: list[str]) -> tuple[str, str]:
    signs = {"gt": "more than", "ge": "at least", "lt": "less than", "le": "at most"}
    limits = [f"{signs[name]} {value:g}" for name, value in detail["ctx"].items() if name in signs]
    return f"{key} is {_short(detail['input'])}; it must be {' and '.join(limits)}.", "Correct the value."


def _not_one_of(key: str, detail: ErrorDetails, known: list[str]) -> tuple[str, str]:
    choices = re.findall(r"'([^']*)'", str(detail["ctx"].get("expected") or detail["ctx"].get("expected_tags")))
    value = detail["input"].get("kind") if isinstance(detail["input"], Mapping) else detail["input"]
    return f"{key} is {_short(value)}; it must be one of {', '.join(choices)}.", suggestion(str(value), choices)


def _no_kind(key: str, detail: ErrorDetails, known: list[str]) -> tuple[str, str]:
    return f"{key} does not say its kind.", 'Write kind = "points" or kind = "board" in it.'


def _wrong_length(key: str, detail: ErrorDetails, known: list[str]) -> tuple[str, str]:
    value = detail["input"]
    if isinstance(value, list) and value and all(isinstance(v, (int, float)) for v in value):
        remedy = "Write two numbers; a decimal comma counts as a separator, so write 12.5, not 12,5."
        return f"{key} needs two numbers, found {len(value)}: {_short(value)}.", remedy
    context = detail["ctx"]
    needed = context.get("min_length", context.get("max_length"))
    return f"{key} holds {context['actual_length']} entries; {needed} are needed.", "Complete it."


def _text_length(key: str, detail: ErrorDetails, known: list[str]) -> tuple[str, str]:
    if not str(detail["input"]).strip():
        return f"{key} is empty.", "Write a few words."
    return f"{key} is longer than {detail['ctx']['max_length']} characters.", "Shorten it."


def _not_text(key: str, detail: ErrorDetails, known: list[str]) -> tuple[str, str]:
    return f"{key} must be text, found {_short(detail['input'])}.", "Put it between quotation marks."


def _not_a_list(key: str, detail: ErrorDetails, known: list[str]) -> tuple[str, str]:
    return f"{key} must be a list, found {_short(detail['input'])}.", "Put it between square brackets."


def _not_a_table(key: str, detail: ErrorDetails, known: list[str]) -> tuple[str, str]:
    return f"{key} must be a table, found {_short(detail['input'])}.", "Write it as { key = value, … }."


def _own_words(key: str, detail: ErrorDetails, known: list[str]) -> tuple[str, str]:
    return f"{key} {_short(detail['input'])} {detail['ctx']['error']}.", ""


_NUMBER_ERRORS = {"float_type", "float_parsing", "int_type", "int_parsing"}
_RULES: dict[str, Rule] = {
    "missing": _missing,
    "extra_forbidden": _unknown,
    "float_type": _not_a_number,
    "float_parsing": _not_a_number,
    "int_type": _not_whole,
    "int_from_float": _not_whole,
    "int_parsing": _not_whole,
    "finite_number": _not_finite,
    "greater_than": _out_of_range,
    "greater_than_equal": _out_of_range,
    "less_than": _out_of_range,
    "less_than_equal": _out_of_range,
    "literal_error": _not_one_of,
    "union_tag_invalid": _not_one_of,
    "union_tag_not_found": _no_kind,
    "too_short": _wrong_length,
    "too_long": _wrong_length,
    "string_too_short": _text_length,
    "string_too_long": _text_length,
    "string_type": _not_text,
    "list_type": _not_a_list,
    "model_type": _not_a_table,
    "model_attributes_type": _not_a_table,
    "value_error": _own_words,
}
