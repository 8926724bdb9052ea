"""One surgeon's own page before the meeting: own figures, own place among the others, own cases with what they rest on."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from pipeline.catalogue import ANY_COMPLICATION, UNPLANNED_RETURN
from pipeline.publish import rates_page, words
from pipeline.publish.context import Context
from pipeline.publish.handout import PAPERS, site_facts
from pipeline.publish.sheet_funnel import funnel
from pipeline.publish.typesetting import isolated, typeset
from pipeline.reviewers import BETWEEN

if TYPE_CHECKING:
    import pandas as pd

Tables = Mapping[str, "pd.DataFrame"]

TEMPLATE = "sheet.typ"
LISTED = ("counted", "awaiting")
SURE = ("definite", "confirmed")
RULES = (
    "Your figures count cases whose first operation you were responsible for, up to and including the first unplanned "
    "return: what follows depends on more hands.",
    "Only definite or confirmed complications count in them; the department counts probable ones too.",
    "With fewer than 10 closed cases only counts are given. Nobody is put in an order.",
    "Outside a limit asks for a check, in this order: data, case mix, structure, process, person. Inside it proves nothing.",
)


def surgeon_sheet(tables: Tables, context: Context, surgeon: str, edition: str, form: str) -> bytes:
    """The PDF.

    Args:
        tables: Of an edition: `cases`, `complications`, `records`, `surgeon_outcomes`.
        surgeon: `<site>/<id>`, one who is responsible for a case.
        edition: Its name, printed.
        form: Name of the file in which questions are written.
    """
    return typeset(TEMPLATE, sheet_content(tables, context, surgeon, edition, form), context.as_of)


def sheet_content(tables: Tables, context: Context, surgeon: str, edition: str, form: str) -> dict[str, Any]:
    """All that the template prints, as text and numbers."""
    title = f"Own page, {words.period(context.period)}"
    cases = own_cases(tables, surgeon)
    shown = own_complications(tables, surgeon, context)
    site = [one for one in context.sites if one.site == surgeon.partition("/")[0]]
    return {
        "paper": PAPERS[context.settings.handout.paper],
        "title": title,
        "state": words.state(context),
        "surgeon": isolated(surgeon),
        "running": f"{title} · records cut {words.day(context.cut_on)}",
        "made": f"limbaudit {context.version}, as of {words.day(context.as_of)}",
        "facts": [
            ["Edition", f"{edition}; {words.state_told(context)}"],
            ["Cut", f"operations, events and visits up to {words.day(context.cut_on)}"],
            ["As of", f"what had been received and decided by {words.day(context.as_of)}"],
            *(
                [fact["name"], f"records up to {fact['until']}; {fact['verdict'].lower()}"]
                for fact in map(site_facts, site)
            ),
        ],
        "lead": _lead(cases, shown),
        "outcomes": _outcomes(tables, surgeon, context),
        "funnels": _funnels(tables, surgeon, context),
        "rules": list(RULES),
        "cases": _cases(cases, shown, tables, context),
        "form": form,
        "cautions": list(words.CAUTIONS),
    }


def own_cases(tables: Tables, surgeon: str) -> pd.DataFrame:
    """Cases whose first operation the surgeon was responsible for, in the order of operations."""
    cases = tables["cases"]
    return cases[cases["surgeon"] == surgeon].sort_values(["performed_on", "case_id"], ignore_index=True)


def own_complications(tables: Tables, surgeon: str, context: Context) -> pd.DataFrame:
    """Main levels that count or await review in these cases, each category apart, in the order of days."""
    main = {key: entry.main_level for key, entry in context.catalogue.complications.items()}
    rows = tables["complications"]
    own = rows[
        rows["case_id"].isin(own_cases(tables, surgeon)["case_id"])
        & rows["status"].isin(LISTED)
        & (rows["category"] != ANY_COMPLICATION)
        & (rows["level"] == rows["category"].map(main))
    ]
    return own.sort_values(["case_id", "day", "category"], ignore_index=True)


def _lead(cases: pd.DataFrame, shown: pd.DataFrame) -> str:
    counted = shown.loc[shown["status"] == "counted", "case_id"].nunique()
    waiting = int((shown["status"] == "awaiting").sum())
    told = words.several(len(cases), "case", "cases")
    with_any = words.count(counted) if counted else "none"
    questions = words.several(waiting, "question about them waits", "questions about them wait")
    rest = f" {questions} for a reviewer." if waiting else ""
    return (
        f"{told} up to the cut whose first operation was yours; {with_any} with a counted complication.{rest}"
    )


def _outcomes(tables: Tables, surgeon: str, context: Context) -> list[dict[str, str]]:
    """A sentence an outcome and window, as the edition has it."""
    rows = _outcome_rows(tables, context)
    own = rows[rows["surgeon"] == surgeon]
    return [
        {
            "title": _title(row["category"], row["window_days"], context),
            "said": row["in_words"],
            "followed": ""
            if words.is_missing(row["followed_share"])
            else f"{words.percent(row['followed_share'])} followed long enough to count.",
        }
        for row in own.to_dict("records")
    ]


def _outcome_rows(tables: Tables, context: Context) -> pd.DataFrame:
    """`surgeon_outcomes` by category in the order of print, then window."""
    rows = tables["surgeon_outcomes"]
    order = {
        key: n
        for n, key in enumerate(rates_page.ordered_categories(rows["category"].unique().tolist(), context))
    }
    return rows.assign(place=rows["category"].map(order)).sort_values(
        ["place", "window_days", "surgeon"], kind="stable"
    )


def _title(category: object, window: object, context: Context) -> str:
    return f"{words.names(context).category(category)} {words.window(window)}"


def _funnels(tables: Tables, surgeon: str, context: Context) -> list[dict[str, Any]]:
    rows = _outcome_rows(tables, context)
    own = rows[(rows["surgeon"] == surgeon) & rows["expected"].notna()]
    return [
        funnel(
            rows[(rows["category"] == category) & (rows["window_days"] == window)],
            surgeon,
            _title(category, window, context),
        )
        for category, window in own[["category", "window_days"]].itertuples(index=False, name=None)
    ]


def _cases(
    cases: pd.DataFrame, shown: pd.DataFrame, tables: Tables, context: Context
) -> list[dict[str, Any]]:
    """A block a case with anything that counts or waits, in the order of operations."""
    said = _records(tables, set(shown["case_id"]))
    first = _first_return(shown, context)
    told = []
    for case in cases[cases["case_id"].isin(shown["case_id"])].to_dict("records"):
        own = shown[shown["case_id"] == case["case_id"]].to_dict("records")
        told.append(
            {
                "case": isolated(case["case_id"]),
                "about": _about(case, context),
                "complications": [_complication(row, case, first, said, context) for row in own],
            }
        )
    return told


def _about(case: Mapping[Any, Any], context: Context) -> str:
    side = "" if case["side"] == "none" else f", {case['side']}"
    return f"{words.names(context).operation(case['group'])}{side}; operated on {words.day(case['performed_on'])}"


def _first_return(shown: pd.DataFrame, context: Context) -> dict[str, float]:
    """Case → day of its first counted unplanned return."""
    returns = [
        key for key, entry in context.catalogue.complications.items() if UNPLANNED_RETURN in entry.implied_by
    ]
    own = shown[shown["category"].isin(returns) & (shown["status"] == "counted")]
    return {str(case_id): float(day) for case_id, day in own.groupby("case_id")["day"].min().items()}


def _complication(
    row: Mapping[Any, Any],
    case: Mapping[Any, Any],
    first: Mapping[str, float],
    said: Mapping[str, str],
    context: Context,
) -> dict[str, Any]:
    grade = "" if words.is_missing(row["severity_grade"]) else f", grade {row['severity_grade']}"
    strength = "" if words.is_missing(row["strength"]) else f", {row['strength']}"
    evidence = row["evidence"]
    places = [] if words.is_missing(evidence) else [place for place in str(evidence).split(BETWEEN) if place]
    return {
        "name": words.names(context).outcome(row["category"], row["level"]),
        "told": f"{_when(row, case)}{strength}{grade}. {_standing(row, first)}",
        "evidence": [[said.get(place, ""), place] for place in places],
    }


def _when(row: Mapping[Any, Any], case: Mapping[Any, Any]) -> str:
    if words.is_missing(row["day"]):
        return "day not known"
    return (
        f"day {words.count(row['day'])} ({words.day(case['performed_on'] + timedelta(days=int(row['day'])))})"
    )


def _standing(row: Mapping[Any, Any], first: Mapping[str, float]) -> str:
    """Whether it counts, and whether among the surgeon's own figures."""
    if row["status"] == "awaiting":
        return "Awaits review, not counted."
    if row["strength"] not in SURE:
        return "Counts for the department; not in your figures, since it is neither definite nor confirmed."
    until = first.get(row["case_id"])
    if until is not None and not words.is_missing(row["day"]) and row["day"] > until:
        return (
            "Counts for the department; not in your figures, since it came after the first unplanned return."
        )
    return "Counts, also in your figures."


def _records(tables: Tables, cases: set[str]) -> dict[str, str]:
    """Reference → what the record says, without its note."""
    rows = tables["records"]
    own = rows[rows["case_id"].isin(cases)]
    places = own["source_file"] + ":" + own["source_line"].astype("int64").astype(str)
    days = ["" if words.is_missing(day) else f"day {int(day)}: " for day in own["day"]]
    what = ["" if words.is_missing(text) else words.plain(text) for text in own["what"]]
    return {place: day + text for place, day, text in zip(places, days, what, strict=True)}
