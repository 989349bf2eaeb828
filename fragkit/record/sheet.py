"""The look of a sheet to print, fill in and sign."""

from __future__ import annotations

from fragkit.record.html import Html, Part, join, paragraph, tag
from fragkit.survey import Survey

_POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'"
_CSS = """
*{box-sizing:border-box}
body{font:10.5pt/1.35 "DejaVu Sans",Verdana,sans-serif;color:#000;background:#fff;max-width:180mm;margin:10mm auto;
padding:0 6mm}
h1{font-size:17pt;margin:0 0 1mm}h2{font-size:12.5pt;margin:6mm 0 1.5mm}
p,ul{margin:1.5mm 0}ul{padding-left:5mm}li{margin:1.2mm 0}
small{color:#333;font-size:.8em}
dl{margin:2mm 0}dl div{display:grid;grid-template-columns:54mm 1fr;padding:.8mm 0;border-bottom:.2mm solid #999}
dt{color:#333}dd{margin:0}
table{border-collapse:collapse;width:100%;font-size:9.5pt}
caption{text-align:left;padding-bottom:1mm;color:#333}
th,td{border:.25mm solid #555;padding:1.3mm 1.6mm;text-align:left;vertical-align:top}
.number{text-align:right}
.form td,.form th{height:6.3mm;padding:0 1.6mm;vertical-align:middle}
.remark{border:.5mm solid #000;padding:1mm 3mm;margin:3mm 0}
.gap{font-style:italic}
figure{margin:3mm 0}figure img{max-width:100%}figcaption{color:#333;font-size:.9em}
.two{columns:2;column-gap:6mm}
@media print{@page{size:A4;margin:14mm}body{margin:0;padding:0;max-width:none}tr,.remark,li{break-inside:avoid}
h2{break-after:avoid}thead{display:table-header-group}}
"""


def sheet(survey: Survey, title: str, *parts: Part) -> str:
    """One page of HTML about a study, to print: without scripts or outside addresses."""
    return page(title, " · ".join(part for part in (survey.title or "Untitled study", survey.date) if part), *parts)


def page(title: str, about: str, *parts: Part) -> str:
    """One page of HTML to print, headed by `title` and what it is about."""
    head = join(
        Html('<meta charset="utf-8">'),
        Html(f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">'),
        Html('<meta name="viewport" content="width=device-width, initial-scale=1">'),
        tag("title", f"{title}: {about}"),
        tag("style", Html(_CSS)),
    )
    body = tag("main", tag("h1", title), paragraph(about), *parts)
    return f'<!DOCTYPE html>\n<html lang="en"><head>{head}</head><body>{body}</body></html>\n'
