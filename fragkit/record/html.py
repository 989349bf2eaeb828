"""HTML built from parts: everything that is not already HTML is escaped."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Sequence
from html import escape


class Html(str):
    """Text that is HTML already."""

    __slots__ = ()


Part = str | Html | None


def tag(name: str, *parts: Part, **attributes: str) -> Html:
    """One element; parts are escaped unless they are `Html`, attributes always; `class_` means `class`."""
    look = "".join(f' {key.rstrip("_").replace("_", "-")}="{escape(value)}"' for key, value in attributes.items())
    return Html(f"<{name}{look}>{join(*parts)}</{name}>")


def join(*parts: Part) -> Html:
    """Parts one after the other."""
    return Html("".join(part if isinstance(part, Html) else escape(part) for part in parts if part is not None))


def paragraph(*parts: Part, **attributes: str) -> Html:
    return tag("p", *parts, **attributes)


def bullets(items: Iterable[Part], *, empty: str = "", **attributes: str) -> Html:
    """A list, or a sentence when there is nothing to list."""
    found = [tag("li", item) for item in items]
    if not found:
        return paragraph(empty) if empty else Html("")
    return tag("ul", *found, **attributes)


def table(head: Sequence[Part], rows: Iterable[Sequence[Part]], *, caption: str, numbers: Sequence[int] = ()) -> Html:
    """A table with a caption; the first column heads its row, columns in `numbers` line up to the right."""

    def look(column: int) -> dict[str, str]:
        return {"class_": "number"} if column in numbers else {}

    header = tag("tr", *(tag("th", cell, scope="col", **look(k)) for k, cell in enumerate(head)))
    body = [
        tag(
            "tr",
            tag("th", row[0], scope="row"),
            *(tag("td", cell, **look(k)) for k, cell in enumerate(row[1:], 1)),
        )
        for row in rows
    ]
    inner = tag("table", tag("caption", caption), tag("thead", header), tag("tbody", *body))
    return tag("div", inner, class_="wide", tabindex="0", role="region", aria_label=caption)


def sourced(text: str, source: str) -> Html:
    """Text with its source in small type; without a source the text alone."""
    return join(text, " ", tag("small", f"[{source}]")) if source else join(text)


def facts(rows: Iterable[tuple[Part, Part]]) -> Html:
    """Names and values."""
    return tag("dl", *(tag("div", tag("dt", name), tag("dd", value)) for name, value in rows), class_="facts")


def figure(content: bytes, *, kind: str, alt: str, caption: Part) -> Html:
    """A picture carried inside the page; `kind` is its media type."""
    source = f"data:{kind};base64,{base64.b64encode(content).decode('ascii')}"
    image = Html(f'<img src="{source}" alt="{escape(alt)}">')
    return tag("figure", image, tag("figcaption", caption))


def section(title: str, *parts: Part, key: str) -> Html:
    """A headed section that can be linked to."""
    return tag("section", tag("h2", title, id=f"{key}-title"), *parts, id=key, aria_labelledby=f"{key}-title")


def aside(*parts: Part, kind: str = "note") -> Html:
    """A remark set apart: `kind` "note" or "warning"."""
    return tag("div", *parts, class_=f"remark {kind}", role="note")
