"""One page of reviewed lowerings: a single HTML file that needs nothing else.

Comes in: titles, PNG bytes and tables of words. Goes out: HTML text. Must not: run script,
fetch anything, read logbooks, or let any text through unescaped.

Reads on a phone held upright and prints on A4 or Letter, one lowering to a sheet where it
fits.
"""

from __future__ import annotations

import base64
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape
from typing import Final

_CSS: Final = """
:root { color-scheme: light; }
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 1rem; max-width: 46rem; background: #fff; color: #20242c;
  font: 1rem/1.45 system-ui, -apple-system, "Segoe UI", Roboto, "DejaVu Sans", sans-serif; }
h1 { font-size: 1.5rem; margin: 0 0 .3rem; }
h2 { font-size: 1.2rem; margin: 0 0 .5rem; border-top: 3px solid #20242c; padding-top: .6rem; }
section { margin: 1.6rem 0; }
img { display: block; width: 100%; height: auto; max-width: 34rem; margin: .4rem auto 1rem; }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; }
th, td { text-align: left; vertical-align: top; padding: .3rem .5rem .3rem 0;
  border-bottom: 1px solid #c9cbc8; overflow-wrap: anywhere; }
th { font-weight: 600; width: 34%; }
th[colspan] { padding-top: .9rem; color: #4a4f57; font-weight: 600; }
.notice { font-weight: 600; border: 2px solid #20242c; padding: .6rem .8rem; margin: .8rem 0; }
nav a { display: inline-block; padding: .5rem .8rem .5rem 0; color: #1d4f80; }
ul { padding-left: 1.1rem; margin: .6rem 0; }
footer { border-top: 1px solid #c9cbc8; padding-top: .6rem; color: #4a4f57; font-size: .9rem; }
@page { margin: 11mm; }
@media print {
  body { max-width: none; padding: 0; font-size: 8.5pt; line-height: 1.2; }
  th, td { padding: .5mm 2mm .5mm 0; }
  th[colspan] { padding-top: 1.6mm; }
  th { width: 26%; }
  h1 { margin: 0; }
  nav { display: none; }
  section { break-before: page; margin: 0; display: grid; gap: 0 5mm;
    grid-template-columns: 96mm 1fr; align-items: start; }
  section:first-of-type { break-before: auto; }
  h2, ul { grid-column: 1 / -1; }
  img { max-width: 96mm; margin: 0; }
  tr, img, h2 { break-inside: avoid; }
  h2 { break-after: avoid; }
  .notice { padding: 1mm 2mm; margin: 1.5mm 0; }
}
"""


@dataclass(frozen=True, slots=True)
class Entry:
    """One lowering on the page.

    Parameters
    ----------
    anchor : str
        Unique on the page.
    title : str
        Heading.
    picture_png : bytes
        The figure.
    alt : str
        The figure in words.
    groups : sequence of (heading, rows)
        Tables of (name, value).
    remarks : sequence of str
        Flags and cautions.
    """

    anchor: str
    title: str
    picture_png: bytes
    alt: str
    groups: Sequence[tuple[str, Sequence[tuple[str, str]]]]
    remarks: Sequence[str]


def page_html(
    title: str, summary: str, entries: Sequence[Entry], notices: Iterable[str], footer: str
) -> str:
    """Write the page.

    Parameters
    ----------
    title, summary : str
        Heading and one line below it.
    entries : sequence of Entry
        The lowerings in order.
    notices : iterable of str
        What stands boxed at the top (an invented job, the general cautions).
    footer : str
        What made the page and from which file.

    Returns
    -------
    str
        A whole HTML document.

    Examples
    --------
    >>> "&lt;b&gt;" in page_html("<b>", "", [], [], "")
    True
    """
    boxed = "".join(f'<p class="notice">{escape(text)}</p>' for text in notices)
    links = "".join(
        f'<a href="#{escape(entry.anchor)}">{escape(entry.title)}</a> ' for entry in entries
    )
    sections = "\n".join(_section(entry) for entry in entries)
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; '
        "img-src data:; style-src 'unsafe-inline'\">\n"
        f"<title>{escape(title)}</title>\n<style>{_CSS}</style>\n</head>\n<body>\n"
        f"<h1>{escape(title)}</h1>\n<p>{escape(summary)}</p>\n{boxed}\n"
        f"<nav>{links}</nav>\n{sections}\n<footer>{escape(footer)}</footer>\n</body>\n</html>\n"
    )


def _section(entry: Entry) -> str:
    """Write one lowering: heading, figure, remarks, tables."""
    picture = base64.b64encode(entry.picture_png).decode()
    remarks = "".join(f"<li>{escape(text)}</li>" for text in entry.remarks)
    tables = "".join(_rows(heading, rows) for heading, rows in entry.groups if rows)
    return (
        f'<section id="{escape(entry.anchor)}">\n<h2>{escape(entry.title)}</h2>\n'
        f"{f'<ul>{remarks}</ul>' if remarks else ''}\n"
        f'<img src="data:image/png;base64,{picture}" alt="{escape(entry.alt)}">\n'
        f"<table>{tables}</table>\n</section>"
    )


def _rows(heading: str, rows: Sequence[tuple[str, str]]) -> str:
    """Write a heading row and its rows."""
    cells = "".join(
        f'<tr><th scope="row">{escape(name)}</th><td>{escape(value)}</td></tr>'
        for name, value in rows
    )
    return f'<tr><th colspan="2" scope="rowgroup">{escape(heading)}</th></tr>{cells}'
