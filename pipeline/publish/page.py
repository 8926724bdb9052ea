"""The frame every page of the report stands in, and tables as HTML.

A page is one file: no request to anywhere, a strict content-security policy, one script that sorts and filters tables
and without which the page is complete. What is text is escaped here; only the functions of this package make mark-up.
"""

from __future__ import annotations

import re
from base64 import b64encode
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from hashlib import sha256
from importlib.resources import files
from typing import TYPE_CHECKING

from pipeline.publish import words
from pipeline.publish.context import Context
from pipeline.publish.differences import differences
from pipeline.publish.markup import Markup as Markup
from pipeline.publish.markup import escape
from pipeline.publish.markup import linked as linked
from pipeline.publish.table_bodies import bodies

if TYPE_CHECKING:
    import pandas as pd

MOST_ROWS = 500
#: The one script of a page; the policy lets through what has its hash, and nothing else.
SCRIPT = files("pipeline.publish").joinpath("tables.js").read_text("utf-8")
_HASH = b64encode(sha256(SCRIPT.encode("utf-8")).digest()).decode("ascii")
POLICY = (
    f"default-src 'none'; script-src 'sha256-{_HASH}'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; "
    "form-action 'none'"
)

#: File → what its page answers, in the order of the menu.
PAGES = {
    "index.html": "What happened",
    "rates.html": "Rates by operation",
    "comparison.html": "Two operations compared",
    "surgeons.html": "Surgeons",
    "time_to_event.html": "Time to event",
    "over_time.html": "Over time",
    "discuss.html": "Cases to discuss",
    "to_review.html": "To review",
    "quality.html": "Data quality",
    "what_changed.html": "What changed",
    "how_counted.html": "How it is counted",
}


@dataclass(frozen=True)
class Show:
    """A column of a printed table: heading, and whether it is a number (to the right) or a phrase kept on one line."""

    label: str
    number: bool = False
    one_line: bool = False

    @property
    def place(self) -> str:
        """Alignment in great-tables' words; the style sheet takes `center` for a phrase kept on one line."""
        return "right" if self.number else "center" if self.one_line else "left"


@cache
def style() -> str:
    """Of pages and, before what is said of paper, of charts."""
    return "".join(
        files(package).joinpath(file).read_text("utf-8")
        for package, file in (("pipeline.publish", "style.css"), ("pipeline.publish.charts", "charts.css"))
    )


def text(value: object) -> str:
    """Escaped for HTML, in text and in attributes; what is mark-up stays."""
    return value if isinstance(value, Markup) else escape(str(value), quote=True)


def paragraph(sentence: str, kind: str = "") -> str:
    opening = f'<p class="{kind}">' if kind else "<p>"
    return f"{opening}{text(sentence)}</p>"


def bullets(items: Sequence[str]) -> str:
    return "<ul>" + "".join(f"<li>{text(item)}</li>" for item in items) + "</ul>" if items else ""


def facts(pairs: Mapping[str, str]) -> str:
    """A list of name and value."""
    return (
        "<dl class='facts'>"
        + "".join(f"<dt>{text(k)}</dt><dd>{text(v)}</dd>" for k, v in pairs.items())
        + "</dl>"
    )


def link(target: str, label: str) -> str:
    return f'<a href="{text(target)}">{text(label)}</a>'


def anchor(name: str) -> str:
    """A fragment id made of plain letters."""
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-") or "part"


def short_id(name: str) -> str:
    """A short id of its own for a name."""
    return sha256(name.encode("utf-8")).hexdigest()[:6]


def table(
    frame: pd.DataFrame,
    table_id: str,
    caption: str,
    columns: Mapping[str, Show],
    *,
    csv: str = "",
    stub: str = "",
    grouped_by: str = "",
    most: int = MOST_ROWS,
    rows: int = 0,
    order_kept: bool = False,
) -> str:
    """A frame of printed text as a table with caption, at most 500 rows, and a link to all of them.

    Args:
        frame: One text column per entry of `columns`, plus `stub` and `grouped_by` if named.
        table_id: Unique among the tables of its page.
        csv: Where the whole table stands, as seen from the page.
        stub: Column whose cells head their rows; its label is in `columns`.
        grouped_by: Column whose values head blocks of rows.
        most: Rows shown, for a page with several long tables.
        rows: How many there are in all, where the frame holds only those that are shown.
        order_kept: Readers cannot sort it by its columns, as where that would rank people.
    """  # fmt: skip
    if frame.empty:
        return paragraph(f"{caption}: nothing to show.", "soft")
    shown = frame.head(most).reset_index(drop=True)
    label = text(caption)
    head = _head_of_table(tuple(columns.items()), stub)
    body = bodies(shown, {name: show.place for name, show in columns.items()}, stub, grouped_by)
    scroll = f'<div class="scroll" role="region" tabindex="0" aria-label="{label}">'
    kept = ' data-order="kept"' if order_kept else ""
    opened = f'<table class="gt_table" id="t-{table_id}"{kept}><caption>{label}</caption>'
    return f"{scroll}{opened}\n{head}\n{body}</table></div>" + _source(rows or len(frame), csv, most)


@cache
def _head_of_table(columns: tuple[tuple[str, Show], ...], stub: str) -> str:
    """`<thead>` as great-tables makes it: the same for every table with these columns, so without ids."""
    import pandas as pd
    from great_tables import GT

    none = pd.DataFrame({name: pd.Series(dtype=object) for name, _ in columns})
    inner = {name: show for name, show in columns if name != stub}
    made = GT(none, id="t", rowname_col=stub or None)
    made = made.cols_label({name: show.label for name, show in inner.items()})
    for place in ("left", "center", "right"):
        made = made.cols_align(place, [name for name, show in inner.items() if show.place == place])
    if stub:
        made = made.tab_stubhead(dict(columns)[stub].label)
    head = re.search(r"<thead>.*</thead>", made.as_raw_html(), flags=re.DOTALL)
    assert head is not None, "great-tables always renders one head"
    return re.sub(r' id="[^"]*"| rowspan="1"| colspan="1"', "", head[0])


def _source(rows: int, csv: str, most: int) -> str:
    if not csv:
        return ""
    cut = f"The first {most} of {words.count(rows)} rows; all of them: " if rows > most else "As a file: "
    return f'<p class="source">{cut}{link(csv, csv.removeprefix("../"))}</p>'


def source(csv: str) -> str:
    """The line that leads to a file."""
    return _source(0, csv, MOST_ROWS)


def page(file: str, context: Context, body: str, title: str = "", up: str = "") -> str:
    """A whole page: whether it is signed, dates, sites, menu, body, cautions.

    Args:
        file: Its name in the menu; empty for a page that is not in it, which then has a title.
        context: Of the edition.
        body: Mark-up.
        title: In print; by default the menu's.
        up: The way from its folder to the report's, such as `../`.
    """
    title, state = title or PAGES[file], words.state(context)
    edition = f"Complication audit, {words.period(context.period)}"
    running = f"{state} · {edition} · records cut {words.day(context.cut_on)}"
    return "\n".join(
        [
            _head(f"{title} – {edition} – {state.lower()}", running),
            '<a class="skip" href="#content">To the content</a>',
            f'<header class="top"><div class="wide"><div class="masthead"><p class="{state.lower()}">{state}</p>'
            f'<p class="edition-name">{text(edition)}</p><p class="soft">{text(words.state_told(context))}</p></div>',
            _menu(file, up),
            f'</div></header>\n<main id="content" class="wide"><h1>{text(title)}</h1>',
            _dates(context, up),
            body,
            "</main>",
            _footer(context),
            f"<script>{SCRIPT}</script>",
            "</body>\n</html>\n",
        ]
    )


def _head(title: str, running: str) -> str:
    foot = running.replace("\\", "").replace('"', "")
    at_page = f'@page {{ @bottom-center {{ content: "{foot}"; font: 8pt sans-serif; }} }}'
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="robots" content="noindex, nofollow">\n<meta name="referrer" content="no-referrer">\n'
        f"<title>{text(title)}</title>\n<style>\n{style()}{at_page.replace('<', '')}\n</style>\n</head>\n<body>"
    )


def _menu(current: str, up: str) -> str:
    here = ' aria-current="page"'
    items = [
        f'<li><a href="{up}{file}"{here if file == current else ""}>{text(title)}</a></li>'
        for file, title in PAGES.items()
    ]
    return f'<nav class="pages" aria-label="Pages of this report"><ul>{"".join(items)}</ul></nav>'


def _dates(context: Context, up: str) -> str:
    """What the page rests on: cut, knowledge, sites, definitions that differ."""
    sites = "".join(
        f"<li><bdi>{text(site.name or site.site)}</bdi>: {text(words.site_state(site))}</li>"
        for site in context.sites
    )
    differs = len(differences(context))
    definitions = (
        f"differ from the built-in ones in {words.several(differs, 'point', 'points')}"
        if differs
        else "the built-in ones, unchanged"
    )
    return (
        f'<dl class="facts"><dt>Cut</dt><dd>operations, events and visits up to {words.day(context.cut_on)}</dd>'
        f"<dt>As of</dt><dd>what had been received and decided by {words.day(context.as_of)}</dd>"
        f"<dt>Sites</dt><dd><ul>{sites}</ul></dd>"
        f"<dt>Definitions</dt><dd>{text(definitions)}; {link(f'{up}how_counted.html#differs', 'which, and how')}</dd>"
        f"<dt>Intervals</dt><dd>{text(words.intervals(context))}</dd></dl>"
    )


def _footer(context: Context) -> str:
    cautions = bullets(words.CAUTIONS)
    state = words.state(context)
    made = f"{state} edition of limbaudit {context.version}, {words.period(context.period)}, as of {words.day(context.as_of)}."
    return (
        f'<footer><div class="wide"><section aria-labelledby="cautions"><h2 id="cautions">Read with care</h2>{cautions}'
        f'</section><p class="small">{text(made)}</p></div></footer>'
    )


def plain_page(title: str, body: str) -> str:
    """A page outside an edition: same frame, no menu, no dates."""
    return f'{_head(title, title)}\n<main class="wide">{body}</main>\n</body>\n</html>\n'
