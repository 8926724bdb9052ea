"""The pages of lists: for each number that was printed the cases it was counted from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline import store
from pipeline.publish import page, words
from pipeline.publish.numbers.register import FOLDER, MOST_ROWS, PLAIN, ListPage, Register, Section, slug
from pipeline.publish.numbers.rows import Column, Rows, columns_of, given_rows
from pipeline.publish.numbers.told import Told
from pipeline.publish.numbers.whole_lists import WholeLists

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

    from pipeline.publish.context import Context

#: Kinds of numbers in the order of their lists on a page.
ORDER = ("cases", "followed", "assessed", "events", "awaiting", "lost", "events_or_lost", "deaths")
#: Rows of long lists that are shown where a page holds many of them.
FEW_ROWS = 50
ROWS_OF_A_PAGE = 5000
HOW_TO_GO_ON = "A case's whole story, line by line of the exports:"
COMMAND = "limbaudit trace WORKSPACE CASE"


def write_lists(
    folder: Path, register: Register, tables: Mapping[str, pd.DataFrame], context: Context
) -> None:
    """Every list that a page led to, in `folder/lists/`.

    Args:
        folder: Of the report.
        register: Which lists were asked for.
        tables: As published.
        context: Of the edition.
    """
    if register.facts is None:
        return
    rows, told = Rows(register.facts, tables, context, _listed(register)), Told(register.facts, context)
    whole = WholeLists(folder / FOLDER, register, register.facts, told)
    for own in map(_in_order, register.pages.values()):
        long = (section for section in own.sections.values() if section.is_long)
        files = {section.identity: whole.file_of(own, section) for section in long}
        body = _body(own, files, rows, told)
        title = told.page(own)
        store.write_text(
            page.page("", context, body, title=title, up="../"), folder / FOLDER / f"{own.name}.html"
        )


def _listed(register: Register) -> dict[str, np.ndarray]:
    """Kind of list → positions of all cases that stand in one, each once."""
    import numpy as np

    shown: dict[str, list[np.ndarray]] = {}
    for own in register.pages.values():
        for section in own.sections.values():
            if section.first is not None:
                shown.setdefault(section.kind, []).append(section.first)
    return {kind: np.unique(np.concatenate(each)) for kind, each in shown.items()}


def _in_order(own: ListPage) -> ListPage:
    """By category and level, then window, then kind of number; named lists as asked for."""
    place = {kind: number for number, kind in enumerate(ORDER)}

    def rank(section: Section) -> tuple[int, ...]:
        if not section.outcomes:
            return ()
        first = section.outcomes[0]
        of_level = -1 if section.kind in PLAIN else first.level
        return of_level, first.days, place[section.kind]

    ranked = sorted(own.sections.values(), key=rank)
    return replace(own, sections={section.identity: section for section in ranked})


def _body(own: ListPage, files: Mapping[str, str], rows: Rows, told: Told) -> str:
    crowded = sum(min(section.rows, MOST_ROWS) for section in own.sections.values()) > ROWS_OF_A_PAGE
    most = FEW_ROWS if crowded else MOST_ROWS
    jump = "".join(
        f"<li>{page.link(f'#{section.identity}', told.section(section))}</li>"
        for section in own.sections.values()
    )
    return "\n".join(
        [
            page.paragraph(told.about(own), "lead"),
            f"<p>{page.text(HOW_TO_GO_ON)} <code>{COMMAND}</code></p>",
            f'<ul class="jump">{jump}</ul>' if len(own.sections) > 1 else "",
            *(
                _section(section, files.get(section.identity, ""), most, rows, told)
                for section in own.sections.values()
            ),
        ]
    )


def _section(section: Section, file: str, most: int, rows: Rows, told: Told) -> str:
    title = page.text(told.section(section))
    columns = [Column(head, head in section.totals) for head in section.heads] or columns_of(section.kind)
    head = "".join(f'<th scope="col"{column.attribute}>{page.text(column.label)}</th>' for column in columns)
    made = _rows(section, most if section.is_long else MOST_ROWS, rows, columns)
    body = "\n".join(made)
    scroll = f'<div class="scroll" role="region" tabindex="0" aria-label="{title}">'
    table = f'<table class="list"><caption>{page.text(told.rule(section))}</caption>\n<thead><tr>{head}</tr></thead>'
    return (
        f'<section><h2 id="{section.identity}">{title}</h2>{_counted_for(section, told)}'
        f"{_cut(section, len(made), file, told)}{scroll}{table}\n<tbody>\n{body}\n</tbody>{_totals(section)}"
        "</table></div></section>"
    )


def _totals(section: Section) -> str:
    """The sums that numbers lead to, each with the fragment of its own."""
    if not section.totals:
        return ""
    sums = section.given[list(section.totals)].sum()  # type: ignore[call-overload]
    cells = "".join(
        f'<td class="n" id="{section.identity}.{slug(head)}">{words.count(sums[head])}</td>'
        if head in section.totals
        else "<td></td>"
        for head in section.heads[1:]
    )
    return f'<tfoot><tr><th scope="row">Together</th>{cells}</tr></tfoot>'


def _rows(section: Section, most: int, rows: Rows, columns: Sequence[Column]) -> list[str]:
    if section.first is None:
        return given_rows(section.given[:most], [column.number for column in columns])
    outcome = section.outcomes[0] if section.outcomes else None
    return rows.of(section.kind, section.first[:most], outcome)


def _counted_for(section: Section, told: Told) -> str:
    """Which numbers lead here, where it is more than one."""
    if section.kind not in PLAIN and len(section.outcomes) < 2:
        return ""
    named = list(dict.fromkeys(told.outcome(outcome) for outcome in section.outcomes))
    return page.paragraph(f"Counted for: {'; '.join(named)}.", "soft") if named else ""


def _cut(section: Section, shown: int, file: str, told: Told) -> str:
    """Where all of a long list is."""
    if not section.is_long:
        return ""
    first = f"The first {shown} of {words.count(section.rows)}"
    if not file:
        return page.paragraph(
            f"{first}. The list is too long for a file of its own: {told.elsewhere(section)}", "source"
        )
    return f'<p class="source">{first}; all of them: {page.link(file, file)}{_which_rows(section, told)}</p>'


def _which_rows(section: Section, told: Told) -> str:
    """Which rows of the whole file make a list."""
    if not section.outcomes:
        return ""
    return f", column <code>{page.text(told.column(section.outcomes[0]))}</code>: {page.text(told.in_file(section))}"
