"""What waits for a reviewer, how long it takes, how far reviewers agree, and what nobody had noticed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from pipeline.handover import PENDING
from pipeline.publish import page, words
from pipeline.publish.coded import in_words
from pipeline.publish.context import Context
from pipeline.publish.markup import joined
from pipeline.publish.numbers.register import MOST_IN_OWN_FILE, MOST_ROWS
from pipeline.publish.page import Show
from pipeline.publish.printed import is_one_of, once, rows_of, rows_with, written
from pipeline.publish.review_results import agreement_part, sample_part
from pipeline.publish.waiting_list import UNSURE
from pipeline.reviewers import MINUTES_A_QUESTION, REQUESTED, received_on

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

CSV = "../review.csv"
#: A record that waits for a link and speaks for a category is one question.
LINKED_BY = ("why", "category", "evidence")
HEADS = ("Case", "Category", "Why", "Rests on")


def review_body(tables: Mapping[str, pd.DataFrame], context: Context) -> str:
    """The page between its dates and its cautions."""
    if not rows_of(tables, "review"):
        parts = [page.paragraph("Nothing waits for a reviewer.", "lead")]
    else:
        parts = _waiting(tables["review"], tables, context)
    return "\n".join([*parts, *agreement_part(tables, context), *sample_part(tables, context)])


def _waiting(rows: pd.DataFrame, tables: Mapping[str, pd.DataFrame], context: Context) -> list[str]:
    asked = _all_asked(tables, context)
    return [
        page.paragraph(
            joined(_told(asked, context), " for a reviewer. Nothing here is counted until it is decided."), "lead",
        ),
        page.paragraph(_how_long(asked)),
        page.paragraph(
            f"{_second_opinions(tables)}Each reviewer gets a list of their own (limbaudit review), without own "
            "cases; two who agree settle a question, a third settles what two could not."
        ),
        '<h2 id="kinds">How many of which kind</h2>',
        page.table(
            _by_kind(asked, context), "kinds", "Open questions by category and reason",
            {
                "category": Show("Category"), "why": Show("Why"), "questions": Show("Questions", True),
                "minutes": Show("Minutes", True), "oldest": Show("Oldest waits, days", True),
            },
        ),
        '<h2 id="questions">The questions</h2>',
        page.table(
            _questions(rows, context, page.MOST_ROWS), "questions", "Open questions, one by one",
            {
                "case_id": Show("Case"), "category": Show("Category"), "why": Show("Why"),
                "would_move": Show("Would move"), "evidence": Show("Rests on"),
            },
            csv=CSV, rows=len(rows),
        ),
    ]  # fmt: skip


def questions_waiting(tables: Mapping[str, pd.DataFrame], context: Context) -> str:
    """`47 questions wait`, leading to them."""
    return _told(_all_asked(tables, context), context)


def _all_asked(tables: Mapping[str, pd.DataFrame], context: Context) -> pd.DataFrame:
    return once(tables, "asked once", lambda: _asked_once(written(tables, "review"), context.as_of))


def _told(asked: pd.DataFrame, context: Context) -> str:
    told = words.several(len(asked), "question waits", "questions wait")
    return _listed(told, asked, "Every question", context)


def _listed(told: str, asked: pd.DataFrame, title: str, context: Context) -> str:
    most = MOST_ROWS if len(asked) > MOST_IN_OWN_FILE else len(asked)
    shown = _questions(asked.assign(would_move=""), context, most).drop(columns="would_move")
    return context.lists.rows(told, "Questions for a reviewer", title, HEADS, shown, len(asked))


def _asked_once(rows: pa.Table, as_of: date) -> pd.DataFrame:
    """One row a question, a record that waits for a link being one however many cases it may belong to; `days` it waits."""
    import pandas as pd
    import pyarrow as pa
    import pyarrow.compute as pc

    kept = np.ones(len(rows), bool)
    linked = np.flatnonzero(is_one_of(rows["why"], pa.array(PENDING)))
    kept[linked] = ~pd.Series(_alike(rows.take(pa.array(linked)), LINKED_BY)).duplicated().to_numpy()
    named = in_words(rows.select(["case_id", "category", "why", "evidence"]).filter(pa.array(kept)))
    for name in ("category", "evidence"):
        filled = pc.fill_null(named[name].cast(pa.string()), "")
        named = named.set_column(named.column_names.index(name), name, filled)
    return named.to_pandas().assign(days=_days_waiting(named["evidence"], as_of))


def _alike(rows: pa.Table, names: Sequence[str]) -> np.ndarray:
    """A number by row, equal where all these cells are."""
    found = np.zeros(len(rows), np.int64)
    for name in names:
        cells = in_words(rows.select([name]))[name].combine_chunks().dictionary_encode("encode")
        found = found * (len(cells.dictionary) + 1) + cells.indices.to_numpy()
    return found


def _days_waiting(evidence: pa.ChunkedArray, as_of: date) -> np.ndarray:
    """Days since the first of the records arrived, -1 where it is not known: alike of all lines of a file."""
    import pyarrow.compute as pc

    coded = pc.ascii_rtrim(evidence, "0123456789").combine_chunks().dictionary_encode()
    since = [received_on(file) for file in coded.dictionary.to_pylist()]
    days = np.array([*(-1 if day is None else (as_of - day).days for day in since), -1], np.int64)
    found: np.ndarray = days[coded.indices.to_numpy()]
    return found


def _how_long(asked: pd.DataFrame) -> str:
    minutes = len(asked) * MINUTES_A_QUESTION
    told = f"At {MINUTES_A_QUESTION} minutes a question, our estimate, that is {words.count(minutes)} minutes for one reviewer."
    known = asked.loc[asked["days"] >= 0, "days"]
    if known.empty:
        return told
    return (
        f"{told} The oldest has waited {words.several(int(known.max()), 'day', 'days')} since its record arrived, half of "
        f"them {words.several(int(known.median()), 'day', 'days')} or longer."
    )


def _second_opinions(tables: Mapping[str, pd.DataFrame]) -> str:
    """How many questions one reviewer has answered, so that they wait for nobody but want a second opinion."""
    import pandas as pd

    asked = rows_with(tables, "questions", "form", ("decision", "letter"))
    if asked is None:
        return ""
    key = ["case_id", "category", "evidence"]
    theirs = rows_with(tables, "review", "case_id", asked["case_id"])
    assert theirs is not None
    open_now = pd.MultiIndex.from_frame(theirs[key].fillna("").astype(str))
    more = int((~pd.MultiIndex.from_frame(asked[key].fillna("").astype(str)).isin(open_now)).sum())
    if not more:
        return ""
    told = words.several(more, "further question has", "further questions have")
    return f"{told} one answer, which counts, and may be asked of a second reviewer. "


def _category(key: object, context: Context) -> str:
    return "none named" if words.is_missing(key) or key == "" else words.names(context).category(key)


def _why(why: str, context: Context) -> str:
    """The reason in print; what a letter is unsure of by its name."""
    asked = why.removeprefix(UNSURE)
    told = words.plain(why) if asked == why else UNSURE + words.names(context).category(asked)
    return words.sentence(told)


def _by_kind(asked: pd.DataFrame, context: Context) -> pd.DataFrame:
    import pandas as pd

    kind = asked["why"].where(~asked["why"].str.startswith(REQUESTED), REQUESTED.rstrip(": "))
    told = asked.assign(why=kind)
    each = told.groupby(["category", "why"]).indices
    counts = told.groupby(["category", "why"])["days"].agg(["size", "max"]).reset_index()
    ordered = counts.sort_values(
        ["size", "category", "why"], ascending=[False, True, True], ignore_index=True
    )
    return pd.DataFrame(
        {
            "category": ordered["category"].map(lambda key: _category(key, context)),
            "why": ordered["why"].map(lambda word: _why(str(word), context)),
            "questions": [
                _of_kind(str(key), str(why), told.iloc[each[key, why]], context)
                for key, why in zip(ordered["category"], ordered["why"], strict=True)
            ],
            "minutes": (ordered["size"] * MINUTES_A_QUESTION).map(words.count),
            "oldest": ordered["max"].map(lambda days: words.NOTHING if days < 0 else words.count(days)),
        },
        dtype="object",
    )


def _of_kind(category: str, why: str, own: pd.DataFrame, context: Context) -> str:
    title = f"{_category(category, context)}: {words.within_sentence(_why(why, context))}"
    return _listed(words.count(len(own)), own, title, context)


def _questions(rows: pd.DataFrame, context: Context, most: int) -> pd.DataFrame:
    """The first questions in print, ordered by case."""
    import pandas as pd

    keys = ["case_id", "category", "why", "evidence"]
    ordered = _early(rows, most).sort_values(keys, kind="stable", na_position="first", ignore_index=True)
    ordered = ordered.head(most)
    return pd.DataFrame(
        {
            "case_id": ordered["case_id"].map(
                lambda key: "no case found" if words.is_missing(key) or not key else key
            ),
            "category": ordered["category"].map(lambda key: _category(key, context)),
            "why": ordered["why"].map(lambda word: _why(str(word), context)),
            "would_move": ordered["would_move"].map(words.plain),
            "evidence": ordered["evidence"].map(lambda rests: "" if words.is_missing(rests) else str(rests)),
        },
        dtype="object",
    )


def _early(rows: pd.DataFrame, most: int) -> pd.DataFrame:
    """Enough rows to hold the first ones by case, so that not all of many are put in order for a few."""
    import pyarrow as pa
    import pyarrow.compute as pc

    if len(rows) <= most:
        return rows
    cases = pa.table({"case": pc.fill_null(pa.array(rows["case_id"], pa.string()), "")})
    first = cases.take(pc.select_k_unstable(cases, k=most + 1, sort_keys=[("case", "ascending")]))
    return rows[pc.less_equal(cases["case"], first["case"][most]).to_numpy()]
