"""The case list of the handout: complications that happened or became known in the period. No surgeon, no exact day."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from pipeline.publish import words
from pipeline.publish.context import Context
from pipeline.publish.period_cases import period_complications, tables_of_period
from pipeline.publish.typesetting import isolated
from schemas.exports import SEVERITY_GRADES

if TYPE_CHECKING:
    import pandas as pd

#: More cases than this never fit on four pages, so no longer list is made.
MOST_CASES = 60
#: Grades from here on ask whether the patient was told.
TOLD_FROM = SEVERITY_GRADES.index("III")
ALL_CASES = "“Cases to discuss” of the report (discuss.html)"
SCALES = {
    "orthopaedic": "orthopaedic modification of the Clavien–Dindo grades",
    "clavien_dindo": "Clavien–Dindo grades",
}


def case_list(tables: Mapping[str, pd.DataFrame], context: Context) -> dict[str, Any]:
    """`rows`, one a case, the gravest first; `lead`, how many there are; `left_out`, how many have no row."""
    own = tables_of_period(tables, context.period, context.catalogue)
    cases, complications = own.get("cases"), own.get("complications")
    news = None
    if cases is not None and complications is not None and len(cases) and len(complications):
        news = period_complications(cases, complications, context.period, context.catalogue)
    rows = [] if news is None else _rows(news, context)
    told = 0 if news is None else int(news["case_id"].nunique())
    return {
        "lead": _lead(0 if news is None else len(news), told, context),
        "rows": rows,
        "left_out": told - len(rows),
        "where": ALL_CASES,
        "scale": f"Grade: {SCALES[context.settings.severity_scale]}.",
    }


def _lead(complications: int, cases: int, context: Context) -> str:
    name = words.period(context.period)
    if not cases:
        return f"No complication happened or became known in {name}."
    told = words.several(complications, "counted complication", "counted complications")
    return f"{told} in {words.several(cases, 'case', 'cases')} happened or became known in {name}, the gravest first."


def _rows(news: pd.DataFrame, context: Context) -> list[dict[str, Any]]:
    ranks = news["severity_grade"].map({grade: rank for rank, grade in enumerate(SEVERITY_GRADES)}).fillna(-1)
    ranked = news.assign(gravest=ranks.groupby(news["case_id"]).transform("max"))
    ranked = ranked.sort_values(
        ["gravest", "case_id", "day", "category"], ascending=[False, True, True, True]
    )
    shown = ranked[ranked["case_id"].isin(ranked["case_id"].drop_duplicates().head(MOST_CASES))]
    return [
        _row(str(case_id), own.to_dict("records"), context)
        for case_id, own in shown.groupby("case_id", sort=False)
    ]


def _row(case_id: str, own: list[dict[Any, Any]], context: Context) -> dict[str, Any]:
    """What happened when is said once where it is the same of all."""
    first = own[0]
    news = [_news(row) for row in own]
    once = len(set(news)) == 1
    side = "" if first["side"] == "none" else f", {first['side']}"
    return {
        "case": isolated(case_id),
        "about": f"{words.names(context).operation(first['group'])}{side}; age {_age(first['age_band'])}; "
        f"operated in {_month(first['performed_on'])}",
        "complications": [
            {
                "name": words.names(context).outcome(row["category"], row["level"]),
                "told": _told(row, context) + ("." if once else f"; {new}."),
            }
            for row, new in zip(own, news, strict=True)
        ],
        "news": f"{words.sentence(news[0])}." if once else "",
        "told": first["gravest"] >= TOLD_FROM,
    }


def _age(band: object) -> str:
    return "not known" if band == "unknown" or words.is_missing(band) else str(band).replace("-", "–")


def _month(when: Any) -> str:
    return f"{words.MONTHS[when.month - 1]} {when.year}"


def _told(row: Mapping[Any, Any], context: Context) -> str:
    """When after the operation, how grave, and what it follows from."""
    grade = (
        "grade not stated" if words.is_missing(row["severity_grade"]) else f"grade {row['severity_grade']}"
    )
    day = "day not known" if words.is_missing(row["day"]) else f"day {words.count(row['day'])}"
    parent = row["parent"]
    category = "" if words.is_missing(parent) or not parent else words.names(context).category(parent)
    because = f"; follows from {words.within_sentence(category)}" if category else ""
    return f"{day}, {grade}{because}{_later(row)}"


def _news(row: Mapping[Any, Any]) -> str:
    if row["happened"]:
        return "happened in this period"
    if words.is_missing(row["day"]):
        return "became known now, when it happened is not known"
    return f"happened in {_month(row['happened_on'])}, became known now"


def _later(row: Mapping[Any, Any]) -> str:
    """Where another operation of the case stands between the first and the event."""
    last = row["last_operation"]
    if words.is_missing(last) or last == row["operation_id"]:
        return ""
    return f"; last operation before the event: {isolated(str(last))}"
