"""Surgeons: counts against what such patients lead to expect, and against chance. Sorted by id, never by rate."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping
from typing import TYPE_CHECKING

from pipeline.publish import page, rates_page, words
from pipeline.publish.charts import drawing
from pipeline.publish.charts.funnel import HOW_TO_READ, WHERE, funnel, told
from pipeline.publish.context import Context
from pipeline.publish.fitness import fitness
from pipeline.publish.numbers import Whose
from pipeline.publish.page import Show
from pipeline.publish.risk_models_part import linked_count, risk_models_part

if TYPE_CHECKING:
    import pandas as pd

CSV = "../tables/surgeon_outcomes.csv"
UNATTRIBUTED = "unattributed"
CHECKS = (
    "Data: are the cases, the surgeon and the complications right? Read them in the list of cases.",
    "Case mix: were these patients harder than what is recorded of them says?",
    "Structure: theatre, instruments, implants, staff, follow-up.",
    "Process: how the operation is done, and what follows it.",
    "Person: last, and only in a talk.",
)
RULES = (
    "Counted are cases whose first operation the surgeon was responsible for, up to the first unplanned return. What "
    "follows depends on more hands.",
    "Only definite and confirmed complications count here.",
    "With fewer than 10 cases only counts are printed: they say nothing.",
    "The order is that of sites and ids. It says nothing about anybody.",
    "Inside the limits does not show that all is well; outside does not show that anything is wrong.",
)
WHY_A_DASH = (
    f"A dash where fewer than {words.HARDLY_ANY} cases with it are expected of such patients: that is none in print, and a "
    "ratio to it would say nothing. The file holds the figures."
)


def surgeons_body(tables: Mapping[str, pd.DataFrame], context: Context) -> str:
    """The page between its dates and its cautions."""
    rows = tables.get("surgeon_outcomes")
    if rows is None or rows.empty:
        return page.paragraph(
            "No surgeon has a case whose window has closed, or audit.toml asks for no outcome by surgeon.",
            "note",
        )
    outcomes = _outcomes(rows, context)
    jump = "".join(
        f"<li>{page.link('#' + _anchor(*outcome), _title(*outcome, context))}</li>" for outcome in outcomes
    )
    return "\n".join(
        [
            page.paragraph(
                "Each surgeon's cases beside what such patients lead to expect, and beside what chance alone gives. It is "
                "for asking the right question, not for judging.", "lead",
            ),
            fitness(context),
            page.bullets(RULES),
            '<h2 id="outside">When a surgeon lies outside a limit</h2>',
            page.paragraph("It asks for a check, in this order. It proves nothing."),
            "<ol>" + "".join(f"<li>{page.text(step)}</li>" for step in CHECKS) + "</ol>",
            f'<ul class="jump">{jump}</ul>',
            *(_section(outcome, _of(rows, outcome), context) for outcome in outcomes),
            risk_models_part(tables, context),
        ]
    )  # fmt: skip


def _outcomes(rows: pd.DataFrame, context: Context) -> list[tuple[str, int]]:
    """Categories in the order of print, each with its windows."""
    windows: dict[str, list[int]] = {}
    for category, days in sorted(set(zip(rows["category"], rows["window_days"].astype(int), strict=True))):
        windows.setdefault(str(category), []).append(days)
    return [
        (key, days) for key in rates_page.ordered_categories(list(windows), context) for days in windows[key]
    ]


def _of(rows: pd.DataFrame, outcome: tuple[str, int]) -> pd.DataFrame:
    category, days = outcome
    return rows[(rows["category"] == category) & (rows["window_days"] == days)]


def _anchor(category: str, days: int) -> str:
    return f"{page.anchor(category)}-{days}"


def _title(category: str, days: int, context: Context) -> str:
    return f"{words.names(context).category(category)} {words.window(days)}"


def _section(outcome: tuple[str, int], rows: pd.DataFrame, context: Context) -> str:
    title, anchor = _title(*outcome, context), _anchor(*outcome)
    named = rows[rows["surgeon"] != UNATTRIBUTED]
    enough = named[named["expected"].notna()]
    parts = [f'<section><h2 id="{anchor}">{page.text(title)}</h2>']
    if enough.empty:
        parts.append(page.paragraph("No surgeon has 10 cases whose window has closed: counts only.", "note"))
    else:
        parts += [
            page.paragraph(told(enough, _linking(outcome, title, enough, context))),
            *_picture(anchor, title, enough, named),
        ]
    parts += [*_remarks(rows), _table(anchor, title, rows, context), "</section>"]
    return "\n".join(parts)


def _linking(
    outcome: tuple[str, int], title: str, rows: pd.DataFrame, context: Context
) -> Callable[[str, str], str]:
    """Gives numbers of several surgeons together as links to their cases."""
    category, days = outcome
    level = words.names(context).main_level(category)
    several = [Whose(surgeon=str(surgeon), laid=True) for surgeon in rows["surgeon"]]

    def number(printed: str, kind: str) -> str:
        held = "with it" if kind == "events" else "closed"
        return context.lists.found(
            printed, "Surgeons together", f"{title}, surgeons with 10 cases or more: {held}",
            lambda facts: facts.of_several(kind, several, facts.outcome(category, level, days, laid=True)),
        )  # fmt: skip

    return number


def _picture(anchor: str, title: str, enough: pd.DataFrame, named: pd.DataFrame) -> list[str]:
    few = len(named) - len(enough)
    said = [
        page.paragraph(
            f"{words.several(few, 'surgeon', 'surgeons')} with fewer than 10 cases not drawn.", "soft"
        )
    ]
    drawn = funnel(f"f-{anchor}", f"{title}: surgeons", enough)
    caption = f"{title}: share of cases, by number of cases"
    return [drawing.figure(drawn, caption, HOW_TO_READ), *(said if few else [])]


def _remarks(rows: pd.DataFrame) -> list[str]:
    """What is noted of the figures, once instead of in every row."""
    noted = rows.loc[rows["expected"].notna(), "note"].dropna()
    notes = dict.fromkeys(part for note in sorted(set(noted)) for part in str(note).split("; ") if part)
    said = [page.paragraph(f"To know: {words.plain('; '.join(notes))}.", "soft")] if notes else []
    few = rows["expected"].map(words.is_hardly_any).any()
    return [*said, page.paragraph(WHY_A_DASH, "soft")] if few else said


def _table(anchor: str, title: str, rows: pd.DataFrame, context: Context) -> str:
    columns = {
        "surgeon": Show("Surgeon"), "cases": Show("Cases", True), "events": Show("With it", True),
        "expected": Show("Expected", True), "chance": Show("Chance alone, in 95 of 100", one_line=True),
        "ratio": Show("Seen by expected", one_line=True), "steadied": Show("Steadied by the department’s", one_line=True),
        "in_words": Show("In words"),
    }  # fmt: skip
    caption = f"{title}, in the order of sites and ids"
    return page.table(
        _printed(rows, context), f"t-{anchor}", caption, columns, csv=CSV, stub="surgeon", grouped_by="site",
        order_kept=True,
    )  # fmt: skip


def _printed(rows: pd.DataFrame, context: Context) -> pd.DataFrame:
    """Rows of `surgeon_outcomes` as text columns, those without a surgeon last."""
    import pandas as pd

    named = words.names(context)
    ordered = rows.assign(_last=rows["surgeon"] == UNATTRIBUTED).sort_values(
        ["_last", "surgeon"], kind="stable"
    )
    told_rows = [
        {
            **_who(str(row["surgeon"]), named),
            "cases": linked_count(row, "cases", context),
            "events": linked_count(row, "events", context),
            "expected": words.NOTHING if _is_bare(row) else f"{row['expected']:.1f}",
            "chance": _by_chance(row["limit_95_low"], row["limit_95_high"], row["cases"]),
            "ratio": _ratio(row, "ratio", "ratio_ci_low", "ratio_ci_high"),
            "steadied": _ratio(row, "steadied_ratio", "steadied_low", "steadied_high"),
            "in_words": _in_words(row),
        }
        for row in ordered.to_dict("records")
    ]
    return pd.DataFrame(told_rows, dtype="object")


def _is_bare(row: Mapping[Hashable, object]) -> bool:
    return words.is_missing(row["expected"]) or words.is_hardly_any(row["expected"])


def _ratio(row: Mapping[Hashable, object], name: str, low: str, high: str) -> str:
    return words.NOTHING if _is_bare(row) else words.ratio(row[name], row[low], row[high])


def _who(surgeon: str, named: words.Names) -> dict[str, str]:
    """Site and id."""
    if surgeon == UNATTRIBUTED:
        return {"site": "No surgeon recorded", "surgeon": words.NOTHING}
    site, _, own = surgeon.partition("/")
    return {"site": named.site(site), "surgeon": own}


def _by_chance(low: object, high: object, cases: int) -> str:
    """`5 to 17` events, from limits as shares of the cases."""
    if words.is_missing(low) or words.is_missing(high):
        return words.NOTHING
    first, last = (words.count(round(float(each) * cases)) for each in (low, high))  # type: ignore[arg-type]
    return f"{first} to {last}" if first != last else first


def _in_words(row: Mapping[Hashable, object]) -> str:
    """The sentence, and where the share would lie if the own cases were left out of what is expected."""
    said = "" if words.is_missing(row["in_words"]) else str(row["in_words"]).replace(" %", "\u00a0%")
    word, without = (row.get(name) for name in ("against_limits", "without_own_cases"))
    if words.is_missing(without) or without == word or without not in WHERE:
        return said or words.NOTHING
    return f"{said} Against the others' cases alone: {WHERE[str(without)]}."
