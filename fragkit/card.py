"""The one HTML card with which every result shows itself in a notebook."""

from __future__ import annotations

import base64
from collections.abc import Iterable
from html import escape

_STYLE = (
    "font-family:var(--jp-content-font-family,system-ui,sans-serif);"
    "color:var(--jp-content-font-color1,CanvasText);background:var(--jp-layout-color1,Canvas);"
    "border:1px solid var(--jp-border-color1,GrayText);border-radius:3px;"
    "padding:.6em .9em;max-width:46em;display:inline-block;text-align:left"
)


def card(
    title: str,
    rows: Iterable[tuple[str, str]],
    *,
    notes: Iterable[str] = (),
    picture_png: bytes | None = None,
    picture_text: str = "",
    drawing: str = "",
) -> str:
    """HTML card: a title, a table of name and value, doubts, and at most one picture.

    Parameters
    ----------
    title : str
        What the result is.
    rows : iterable of (str, str)
        Name and value with its unit. Everything is escaped.
    notes : iterable of str
        Doubts that the reader must see.
    picture_png : bytes, optional
        A PNG; shown below the table.
    picture_text : str
        What the picture shows, for those who cannot see it.
    drawing : str, optional
        In place of a picture: what `fragkit.sketch.sketch` made.
    """
    body = "".join(
        f'<tr><th scope="row" style="text-align:left;font-weight:500;padding:.1em 1.2em .1em 0">{escape(name)}</th>'
        f'<td style="text-align:left;padding:.1em 0">{escape(value)}</td></tr>'
        for name, value in rows
    )
    doubts = "".join(f"<li>{escape(note)}</li>" for note in notes)
    return (
        f'<div style="{_STYLE}"><strong>{escape(title)}</strong>'
        f'<table style="border:0;margin:.4em 0;background:none">{body}</table>'
        + (f'<ul style="margin:.3em 0 0 1.1em;padding:0">{doubts}</ul>' if doubts else "")
        + _picture(picture_png, picture_text)
        + drawing
        + "</div>"
    )


def _picture(png: bytes | None, text: str) -> str:
    if png is None:
        return ""
    data = base64.b64encode(png).decode("ascii")
    return f'<img alt="{escape(text)}" style="max-width:100%;margin-top:.4em" src="data:image/png;base64,{data}">'
