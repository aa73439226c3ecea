"""The sections of a sheet on a page of width 80, or as one HTML file for the wall."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence
from html import escape
from typing import Final

from esterward.cli.sheet_rows import FOOT, Section
from esterward.cli.sheet_working import Line
from esterward.cli.show import WIDTH, wrapped

NAME_WIDTH: Final = 18
VALUE_WIDTH: Final = 19

CSS: Final = """
body { font: 12pt/1.35 sans-serif; max-width: 48em; margin: 1em auto; padding: 0 1em; color: #000; }
h1 { font-size: 1.5em; margin: 0; } h2 { font-size: 1.05em; margin: .8em 0 .2em; }
table { border-collapse: collapse; width: 100%; }
th, td { text-align: left; vertical-align: top; padding: .1em .6em .1em 0;
         border-bottom: 1px solid #bbb; }
th { width: 10em; font-weight: normal; } td.value { width: 11em; font-weight: bold; }
p { margin: .25em 0; } .caution { font-size: .85em; border-left: .4em solid #000;
         padding-left: .5em; } .say { font-weight: bold; }
section.working { break-before: page; }
@media print { @page { size: A4; margin: 12mm; } body { font-size: 9.5pt; margin: 0; padding: 0; }
         section { break-inside: avoid; } section.working { break-inside: auto; } }
"""


def text_page(title: str, sections: Sequence[Section], missing: Sequence[str]) -> str:
    """The first page, at most 80 columns."""
    lines = [title, "=" * WIDTH]
    for sentence in missing:
        lines.append(wrapped(f"STILL MISSING: {sentence}"))
    for section in sections:
        lines.append(section.title)
        for row in section.rows:
            lines += _row(row.name, row.value, row.note)
        for caution in section.cautions:
            lines.append(textwrap.fill(caution, WIDTH, initial_indent="  ! ",
                                       subsequent_indent="    ", break_on_hyphens=False))
    return "\n".join([*lines, "-" * WIDTH, wrapped(FOOT)])


def _row(name: str, value: str, note: str) -> list[str]:
    if not value:
        return _wrap(note, f"  {name:<{NAME_WIDTH - 2}}", NAME_WIDTH)
    gap = "  " if len(value) >= VALUE_WIDTH else " "  # a long one must not run into its note
    head = f"  {name:<{NAME_WIDTH - 2}}{value:<{VALUE_WIDTH - 1}}{gap}"
    return _wrap(note, head, NAME_WIDTH + VALUE_WIDTH) or [head.rstrip()]


def _wrap(text: str, head: str, indent: int) -> list[str]:
    """Lines of at most WIDTH; a number is never parted from its unit."""
    glued = re.sub(r"(\d) (?=[A-Za-z%/])", "\\1\u00a0", text)
    lines = textwrap.wrap(glued, WIDTH, initial_indent=head, subsequent_indent=" " * indent,
                          break_on_hyphens=False)
    return [line.replace("\u00a0", " ") for line in lines]


def text_working(lines: Sequence[Line]) -> str:
    """The second page."""
    out = ["\nWorking", "=" * WIDTH]
    for name, how in lines:
        out += _wrap(how, f"  {name:<{NAME_WIDTH - 3}} ", NAME_WIDTH)
    return "\n".join(out)


def html_page(title: str, sections: Sequence[Section], missing: Sequence[str],
              warnings: Sequence[str], lines: Sequence[Line]) -> str:
    """One file that needs nothing else; lines (the working) start a second printed page."""
    body = [f"<h1>{escape(title)}</h1>"]
    body += [f'<p class="say">Still missing: {escape(s)}</p>' for s in missing]
    for section in sections:
        rows = "".join(
            f'<tr><th scope="row">{escape(row.name.strip())}</th>'
            f'<td class="value">{escape(row.value)}</td><td>{escape(row.note)}</td></tr>\n'
            for row in section.rows)
        cautions = "".join(f'<p class="caution">{escape(c)}</p>\n' for c in section.cautions)
        body.append(f"<section><h2>{escape(section.title)}</h2>\n<table>{rows}</table>\n"
                    f"{cautions}</section>")
    body += [f'<p class="say">Warning: {escape(s)}</p>' for s in warnings]
    body.append(f"<p>{escape(FOOT)}</p>")
    if lines:
        rows = "".join(f'<tr><th scope="row">{escape(name)}</th><td>{escape(how)}</td></tr>\n'
                       for name, how in lines)
        body.append(f'<section class="working"><h2>Working</h2>\n<table>{rows}</table></section>')
    return (f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
            f"<title>{escape(title)}</title>\n<style>{CSS}</style></head>\n<body>\n"
            + "\n".join(body) + "\n</body></html>\n")
