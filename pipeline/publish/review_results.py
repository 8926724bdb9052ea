"""What reviewing has shown: how far reviewers agree, and how often nobody had noticed a complication."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from pipeline.publish import page, words
from pipeline.publish.context import Context
from pipeline.publish.markup import joined
from pipeline.publish.page import Show

if TYPE_CHECKING:
    import pandas as pd

AGREEMENT_CSV, SAMPLE_CSV = "../tables/agreement.csv", "../tables/missed_in_letters.csv"
CAUTION = (
    "Kappa sets agreement against what chance alone would give. Where nearly every answer is the same it is low or cannot "
    "be worked out, although reviewers hardly differ: read the agreement on yes and on no beside it."
)


def agreement_part(tables: Mapping[str, pd.DataFrame], context: Context) -> list[str]:
    """How far the first two reviewers of a case agreed, in plain words and a table."""
    title = '<h2 id="agreement">How far reviewers agree</h2>'
    rows = tables.get("agreement")
    if rows is None or rows.empty:
        return [title, page.paragraph("No question has been answered by two reviewers yet.", "soft")]
    pairs, differ = int(rows["pairs"].sum()), int(rows["discordant"].sum())
    told = joined(
        _answered(words.several(pairs, "question was", "questions were"), "pairs", "", context),
        " answered by two reviewers, each alone; at ",
        _answered(words.count(differ), "discordant", "", context),
        " they differed. What counts here is what each said first.",
    )
    table = page.table(
        _agreement_in_print(rows, context), "agreement", "First answers of two reviewers, by category",
        {
            "category": Show("Category"), "pairs": Show("Pairs", True), "both_yes": Show("Both yes", True),
            "both_no": Show("Both no", True), "differ": Show("Differ", True), "raw": Show("Agree", True),
            "positive": Show("On yes", True), "negative": Show("On no", True), "kappa": Show("Kappa and interval", one_line=True),
            "pabak": Show("Kappa adjusted for prevalence and bias", True),
        },
        csv=AGREEMENT_CSV,
    )  # fmt: skip
    return [title, page.paragraph(told), page.paragraph(CAUTION), table]


#: Number of `agreement` → what its list is called.
ANSWERED = {
    "pairs": "answered by two",
    "both_yes": "both yes",
    "both_no": "both no",
    "discordant": "they differ",
}


def _answered(told: str, kind: str, category: str, context: Context) -> str:
    """A number of `agreement` in print, leading to the questions and their answers."""
    facts, named = context.lists.facts, words.names(context)
    if facts is None or facts.answers is None:
        return told
    from pipeline.publish.numbers.answers import HEADS

    whose = named.category(category) if category else "All categories"
    rows = facts.answers.rows(kind, category, named)
    return context.lists.rows(told, "Answers of two reviewers", f"{whose}: {ANSWERED[kind]}", HEADS, rows)


def _agreement_in_print(rows: pd.DataFrame, context: Context) -> pd.DataFrame:
    import pandas as pd

    named = words.names(context)
    limits = zip(rows["kappa"], rows["kappa_ci_low"], rows["kappa_ci_high"], strict=True)
    return pd.DataFrame(
        {
            "category": rows["category"].map(named.category),
            **{
                column: [
                    _answered(words.count(many), kind, key, context)
                    for key, many in zip(rows["category"], rows[kind], strict=True)
                ]
                for column, kind in zip(("pairs", "both_yes", "both_no", "differ"), ANSWERED, strict=True)
            },
            **{
                name: rows[name].map(lambda share: words.percent(share, 0))
                for name in ("raw", "positive", "negative")
            },
            "kappa": [_kappa(*three) for three in limits],
            "pabak": rows["pabak"].map(_two_places),
        },
        dtype="object",
    )


def _two_places(value: object) -> str:
    """`0.81`, with a real minus sign."""
    if words.is_missing(value):
        return words.NOTHING
    return f"{float(value) + 0.0:.2f}".replace("-", "−")  # type: ignore[arg-type]


def _kappa(kappa: object, low: object, high: object) -> str:
    if words.is_missing(kappa) or words.is_missing(low):
        return _two_places(kappa)
    return f"{_two_places(kappa)} ({_two_places(low)} to {_two_places(high)})"


def sample_part(tables: Mapping[str, pd.DataFrame], context: Context) -> list[str]:
    """What reading cases drawn at random showed."""
    title = '<h2 id="sample">What was missed in notes</h2>'
    rows = tables.get("missed_in_letters")
    if rows is None or rows.empty:
        return [title, page.paragraph("No case has a note in which nothing was found.", "soft")]
    whole = rows[rows["site"] == "all"].iloc[0]
    cases = words.several(int(whole["cases"]), "case has notes", "cases have notes")
    among = joined(_unmentioned(cases, context), " in which nothing was found.")
    if not int(whole["read"]):
        how = "No case of them has been drawn and read yet; limbaudit review draws some with --sample."
        return [title, page.paragraph(joined(among, f" {how}"))]
    return [title, page.paragraph(joined(among, f" {_read(whole)}")), page.source(SAMPLE_CSV)]


def _unmentioned(told: str, context: Context) -> str:
    answers = context.lists.facts.answers if context.lists.facts else None
    if answers is None:
        return told
    title = "Cases with notes in which nothing was found"
    return context.lists.found(told, "Notes", title, lambda facts: answers.unmentioned)


def _read(whole: pd.Series) -> str:
    limits = words.percents(whole["ci_low"], whole["ci_high"])
    found = (
        f"in {words.count(whole['missed'])} a complication had been missed: {words.percent(whole['share'])} ({limits})."
        if int(whole["missed"])
        else f"in none a complication had been missed; up to {words.percent(whole['ci_high'])} would still fit."
    )
    told = f"{words.count(whole['read'])} of them were drawn at random and read; {found}"
    open_ones = int(whole["undecided"])
    return f"{told} On {words.several(open_ones, 'case', 'cases')} reviewers differ." if open_ones else told
