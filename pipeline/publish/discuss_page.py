"""Cases to discuss: what happened or became known in the period, deaths, and what contradicts itself. No surgeon."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from pipeline.catalogue import ANY_COMPLICATION
from pipeline.handover import DISAGREES, OTHER_PATIENT, PENDING
from pipeline.publish import page, words
from pipeline.publish.context import Context
from pipeline.publish.markup import joined, lines, references
from pipeline.publish.page import Show
from pipeline.publish.period_cases import COUNTED, period_complications, tables_of_period
from pipeline.publish.printed import rows_with
from pipeline.publish.rates_page import ordered_categories
from schemas.findings import FINDINGS

if TYPE_CHECKING:
    import pandas as pd

#: Questions in which two things were said that cannot both be so.
DIFFER = ("reviewers differ", PENDING[DISAGREES], PENDING[OTHER_PATIENT])
#: Findings of the same kind.
CONTRADICTIONS = (
    "after_death", "ages_disagree", "dates_in_wrong_order", "operation_of_another_patient", "record_conflict",
    "side_against_diagnosis", "side_conflict",
)  # fmt: skip
COMPLICATION = {
    "case_id": Show("Case", one_line=True), "operation": Show("Operation"), "day": Show("Day after it", True),
    "level": Show("Level and grade"),
    "news": Show("In the period"), "next": Show("What happened next"),
    "asked": Show("Questions open"), "evidence": Show("Rests on"),
}  # fmt: skip
NO_MORE = "nothing more recorded"


def discuss_body(tables: Mapping[str, pd.DataFrame], context: Context) -> str:
    """The page between its dates and its cautions."""
    named = words.names(context)
    own = tables_of_period(tables, context.period, context.catalogue)
    news = _news(own, context)
    period = words.period(context.period)
    if news is None or news.empty:
        found = [page.paragraph(f"No complication happened or became known in {period}.", "lead")]
    else:
        found = _complications(news, own, rows_with(tables, "review", "case_id", news["case_id"]), context)
    return "\n".join([*found, *_deaths(own, context, named), *_contradictions(tables, context, named)])


def _news(tables: Mapping[str, pd.DataFrame], context: Context) -> pd.DataFrame | None:
    cases, complications = tables.get("cases"), tables.get("complications")
    if cases is None or complications is None or cases.empty or complications.empty:
        return None
    return period_complications(cases, complications, context.period, context.catalogue)


def _complications(
    news: pd.DataFrame, tables: Mapping[str, pd.DataFrame], review: pd.DataFrame | None, context: Context
) -> list[str]:
    named = words.names(context)
    counted = words.several(len(news), "complication", "complications")
    cases = words.several(news["case_id"].nunique(), "case", "cases")
    keys = ordered_categories(news["category"].unique().tolist(), context)
    sizes = news["category"].value_counts()
    jump = "".join(
        f"<li>{page.link(f'#{page.anchor(key)}', named.category(key))}: {words.count(sizes[key])}</li>"
        for key in keys
    )
    ids = news["case_id"].tolist()
    counted = context.lists.cases(counted, "Cases to discuss", "A case for each complication", ids)
    cases = context.lists.cases(cases, "Cases to discuss", "Each case once", list(dict.fromkeys(ids)))
    said = joined(
        counted, " in ", cases,
        f" happened or became known in {words.period(context.period)}. A case may stand under several "
        "categories. Days are counted from the operation; no surgeon is named.",
    )  # fmt: skip
    go_on = "What was sent about a case, line by line: limbaudit trace WORKSPACE CASE."
    shown = news.groupby("category", sort=False).head(page.MOST_ROWS)
    told = _Course(tables, review, context, shown["case_id"])
    return [
        page.paragraph(said, "lead"),
        page.paragraph(go_on, "soft"),
        f'<ul class="jump">{jump}</ul>',
        *(_category(key, news[news["category"] == key], told, named) for key in keys),
    ]


def _category(key: str, own: pd.DataFrame, told: _Course, named: words.Names) -> str:
    import pandas as pd

    shown = own.head(page.MOST_ROWS).to_dict("records")
    rows = pd.DataFrame([told.row(row) for row in shown], dtype="object")
    title = named.category(key)
    table = page.table(
        rows, f"c-{page.anchor(key)}", f"{title}: {words.several(len(own), 'case', 'cases')}", COMPLICATION,
        csv="../complications.parquet", stub="case_id", rows=len(own),
    )  # fmt: skip
    return f'<section><h2 id="{page.anchor(key)}">{page.text(title)}</h2>{table}</section>'


class _Course:
    """What else is known of the cases in which something is new.

    Args:
        tables: As published.
        review: Open questions, at least those about these cases.
        context: Of the edition.
        cases: Ids of those that are shown.
    """

    def __init__(
        self,
        tables: Mapping[str, pd.DataFrame],
        review: pd.DataFrame | None,
        context: Context,
        cases: pd.Series,
    ) -> None:
        self.named = words.names(context)
        main = {key: entry.main_level for key, entry in context.catalogue.complications.items()}
        rows = tables["complications"]
        rows = rows[rows["case_id"].isin(cases)]
        counted = rows[(rows["status"] == COUNTED) & (rows["category"] != ANY_COMPLICATION)]
        own = counted[counted["level"] == counted["category"].map(main)]
        self.levels = counted.groupby(["case_id", "category"])["level"].agg(list).to_dict()
        self.others: dict[str, list[tuple[int, str]]] = {}
        for case_id, category, day in zip(own["case_id"], own["category"], own["day"], strict=True):
            if not words.is_missing(day):
                self.others.setdefault(case_id, []).append((int(day), category))
        review = None if review is None else review[review["case_id"].isin(cases)]
        self.questions = _questions(review, self.named)

    def row(self, row: Mapping[Any, Any]) -> dict[str, str]:
        """One counted complication, in print."""
        case_id, category = row["case_id"], row["category"]
        grade = row["severity_grade"]
        graded = "grade not stated" if words.is_missing(grade) else f"grade {grade}"
        levels = [self.named.level(category, level) for level in self.levels.get((case_id, category), [])]
        return {
            "case_id": case_id,
            "operation": self.named.operation(row["group"]),
            "day": "not known" if words.is_missing(row["day"]) else words.count(row["day"]),
            "level": "; ".join([*(level for level in levels if level), graded]),
            "news": "happened" if row["happened"] else "became known",
            "next": lines(self._next(row)),
            "asked": lines(self.questions.get(case_id, "")) or words.NOTHING,
            "evidence": references("" if words.is_missing(row["evidence"]) else row["evidence"]),
        }

    def _next(self, row: Mapping[Any, Any]) -> str:
        """What followed in the case; else until when it was seen."""
        day, died = row["day"], row["died"]
        parent = row["parent"]
        said = (
            []
            if words.is_missing(parent)
            else [f"follows from {words.within_sentence(self.named.category(parent))}"]
        )
        after = -1 if words.is_missing(day) else int(day)
        later = sorted(
            (when, category) for when, category in self.others.get(row["case_id"], []) if when >= after
        )
        said += [
            f"{words.within_sentence(self.named.category(category))} on day {words.count(when)}"
            for when, category in later
            if category != row["category"] and (when > after or category != parent)
        ]
        if not words.is_missing(died):
            said.append(f"died on day {words.count(died)}")
        seen = int(row["contact_until"])
        return "; ".join(said) or (
            f"{NO_MORE}; last visit on day {words.count(seen)}" if seen > after else NO_MORE
        )


def _questions(review: pd.DataFrame | None, named: words.Names) -> dict[str, str]:
    """Case → its open questions in short."""
    told: dict[str, list[str]] = {}
    for case_id, category, why in () if review is None else zip(
        review["case_id"], review["category"], review["why"], strict=True
    ):  # fmt: skip
        about = "" if words.is_missing(category) or not category else f"{named.category(category)}: "
        told.setdefault(case_id, []).append(f"{about}{words.plain(why)}")
    return {case_id: "; ".join(dict.fromkeys(each)) for case_id, each in told.items()}


def _deaths(tables: Mapping[str, pd.DataFrame], context: Context, named: words.Names) -> list[str]:
    """Patients who died in the period, of whatever cause."""
    import pandas as pd

    title = '<h2 id="deaths">Deaths</h2>'
    cases = tables.get("cases")
    dead = None if cases is None or cases.empty else _died_in_period(cases, context)
    if dead is None or dead.empty:
        return [title, page.paragraph(f"No death in {words.period(context.period)} is known.", "soft")]
    rows = pd.DataFrame(
        [
            {
                "case_id": row["case_id"],
                "operation": named.operation(row["group"]),
                "day": words.count(row["died"]),
            }
            for row in dead.head(page.MOST_ROWS).to_dict("records")
        ],
        dtype="object",
    )
    columns = {
        "case_id": Show("Case"),
        "operation": Show("Operation"),
        "day": Show("Died, day after it", True),
    }
    caption = "Of whatever cause; a patient with two cases stands twice"
    return [title, page.table(rows, "deaths-rows", caption, columns, stub="case_id")]


def _died_in_period(cases: pd.DataFrame, context: Context) -> pd.DataFrame:
    import pandas as pd

    from pipeline.periods import parse_period

    span = parse_period(context.period)
    after = pd.to_timedelta(pd.to_numeric(cases["died"]).astype("float64"), unit="D")
    died_on = pd.to_datetime(cases["performed_on"]) + after
    return cases[died_on.between(pd.Timestamp(span.first_day), pd.Timestamp(span.last_day))]


def _contradictions(tables: Mapping[str, pd.DataFrame], context: Context, named: words.Names) -> list[str]:
    """Where two sources, or two people, say what cannot both be so, whenever it happened, until it is settled."""
    import pandas as pd

    rows = pd.DataFrame([*_differing(tables, named), *_found(tables, named)], dtype="object")
    title = '<h2 id="contradictions">What contradicts itself</h2>'
    if rows.empty:
        return [title, page.paragraph("Nothing that is still open.", "soft")]
    columns = {
        "who": Show("Case or record"), "what": Show("What"), "told": Show("Contradiction"), "where": Show("Rests on"),
    }  # fmt: skip
    said = page.paragraph(
        "Still open, whenever it happened: somebody who knows the patient can settle it.", "soft"
    )
    caption = "Two sources, or two people, that cannot both be right"
    return [title, said, page.table(rows, "contradictions-rows", caption, columns, stub="who")]


def _differing(tables: Mapping[str, pd.DataFrame], named: words.Names) -> list[dict[str, str]]:
    review = rows_with(tables, "review", "why", DIFFER)
    if review is None:
        return []
    own = review.head(page.MOST_ROWS).astype(object).fillna("")
    return [
        {
            "who": row["case_id"],
            "what": named.category(row["category"]) if row["category"] else "a record",
            "told": words.plain(row["why"]),
            "where": references(row["evidence"]),
        }
        for row in own.to_dict("records")
    ]


def _found(tables: Mapping[str, pd.DataFrame], named: words.Names) -> list[dict[str, str]]:
    found = rows_with(tables, "quarantine", "rule", CONTRADICTIONS)
    if found is None:
        return []
    own = found.head(page.MOST_ROWS)
    own = own.assign(source_line=own["source_line"].astype("Int64")).astype(object).fillna("")
    return [
        {
            "who": f"{row['site']}.{row['record_id']}" if row["record_id"] else named.site(row["site"]),
            "what": words.plain(row["table"]),
            "told": FINDINGS[row["rule"]].title,
            "where": references(f"{row['source_file']}:{row['source_line']}"),
        }
        for row in own.to_dict("records")
    ]
