"""Rows of `rates` as words: a rate never stands without its interval, its cases and what could not be seen."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping
from typing import TYPE_CHECKING, NamedTuple

from pipeline.publish import words
from pipeline.publish.context import Context
from pipeline.publish.markup import joined
from pipeline.publish.numbers import Whose
from pipeline.publish.page import Show

if TYPE_CHECKING:
    import pandas as pd

CLEARLY_HIGHER = (
    1.25  # a rate among followed cases this many times the rate: print a range (project definitions)
)
HALF = 0.5

#: Columns of a printed table of rates, after those that say which row it is.
RATE_COLUMNS = {
    "cases": Show("Cases", number=True),
    "events": Show("With it", number=True),
    "rate": Show("Rate and interval", one_line=True),
    "followed": Show("Followed long enough", number=True),
    "among_followed": Show("Rate among them", one_line=True),
    "lost": Show("Lost", number=True),
    "worst": Show("If all lost had it", number=True),
    "awaiting": Show("Awaiting review", number=True),
    "note": Show("To know"),
}


class Rate(NamedTuple):
    """The columns of one row of `rates` that print needs."""

    cases: int
    events: float
    followed: float
    lost: float
    assessed: float
    deaths: float
    awaiting: float
    rate: float
    ci_low: float
    ci_high: float
    rate_followed: float
    rf_ci_low: float
    rf_ci_high: float
    worst_case: float
    rate_with_awaiting: float
    note: str


#: Columns that say whose rate it is, and of what.
OF_A_RATE = ("procedure", "stratum", "stratum_value", "category", "level", "window_days", "period")
#: What gives the number of a kind in print, as a link where its list is to be had.
Linking = Callable[[object, str], str]


def in_print(rows: pd.DataFrame, context: Context) -> pd.DataFrame:
    """Rows of `rates` with the text columns of `RATE_COLUMNS`, in the same order; numbers lead to their lists.

    Args:
        rows: Of the published table.
        context: With fewer followed than the settings' `observed_share` the rate is printed as a range.
    """
    import pandas as pd

    share = context.settings.tolerance.observed_share
    asked = [
        _linking(row, context)
        for row in rows[[name for name in OF_A_RATE if name in rows.columns]].to_dict("records")
    ]
    told = [_told(row, share, number) for row, number in zip(rates_of(rows), asked, strict=True)]
    return pd.DataFrame(told, columns=list(RATE_COLUMNS), dtype="object")


def _linking(row: Mapping[Hashable, object], context: Context) -> Linking:
    whose = Whose.of_rates(row)
    outcome = (str(row["category"]), str(row["level"]), int(str(row["window_days"])))
    return lambda number, kind: context.lists.number(words.count(number), kind, whose, *outcome)


def rates_of(rows: pd.DataFrame) -> list[Rate]:
    return [Rate(*cells) for cells in rows[list(Rate._fields)].itertuples(index=False, name=None)]


def _told(row: Rate, observed_share: float, number: Linking) -> dict[str, str]:
    return {
        "cases": number(row.cases, "cases"),
        "events": number(row.events, "events"),
        "rate": rate_words(row, observed_share),
        "followed": number(row.followed, "followed"),
        "among_followed": _share_words(
            row.rate_followed, row.rf_ci_low, row.rf_ci_high, row.events, row.followed
        ),
        "lost": number(row.lost, "lost"),
        "worst": words.percent(row.worst_case) if row.lost else words.NOTHING,
        "awaiting": _awaiting(row, number),
        "note": _note(row, observed_share, number),
    }


def is_uncertain(row: Rate, observed_share: float) -> bool:
    """Too many lost, or the rate among followed cases is clearly higher: one figure would mislead."""
    if words.is_missing(row.rate) or words.is_missing(row.lost) or not row.cases:
        return False
    many_lost = row.lost / row.cases > 1 - observed_share + 1e-9
    higher = not words.is_missing(row.rate_followed) and row.rate_followed > CLEARLY_HIGHER * row.rate + 1e-9
    return many_lost or higher


def is_seldom_assessed(row: Rate) -> bool:
    """Fewer than half were measured: where nothing was found, often nobody looked."""
    return bool(not words.is_missing(row.assessed) and row.cases and row.assessed / row.cases < HALF)


def rate_words(row: Rate, observed_share: float) -> str:
    """`14.3 % (2.6–51.3 %)`; `none in 27, at most 12.5 %`; `between 9.5 and 42.9 %` where too many are lost."""
    if words.is_missing(row.rate):
        return words.NOTHING
    if is_uncertain(row, observed_share):
        least = f"{100 * row.rate:.1f}" if row.events else "0"
        return f"between {least} and {words.percent(row.worst_case)}"
    return _share_words(row.rate, row.ci_low, row.ci_high, row.events, row.cases)


def _share_words(share: float, low: float, high: float, events: float, cases: float) -> str:
    if words.is_missing(share):
        return words.NOTHING
    if events == 0:
        return f"none in {words.count(cases)}, at most {words.percent(high)}"
    return f"{words.percent(share)} ({words.percents(low, high)})"


def _awaiting(row: Rate, number: Linking) -> str:
    waiting = number(row.awaiting, "awaiting")
    if words.is_missing(row.awaiting) or not row.awaiting:
        return waiting
    return joined(waiting, f" → {words.percent(row.rate_with_awaiting)}")


def _note(row: Rate, observed_share: float, number: Linking) -> str:
    said = [] if words.is_missing(row.note) or not row.note else [words.sentence(words.plain(row.note))]
    if is_uncertain(row, observed_share):
        few = (number(row.lost, "lost"), " of ", number(row.cases, "cases"), " not followed long enough")
        limits = (
            words.percents(row.ci_low, row.ci_high) if row.events else f"at most {words.percent(row.ci_high)}"
        )
        said.append(joined(*few, f", so a range; by chance alone {limits}"))
    if is_seldom_assessed(row):
        said.append(joined("measured in only ", number(row.assessed, "assessed")))
    if not words.is_missing(row.deaths) and row.deaths:
        said.append(joined(number(row.deaths, "deaths"), " died without it"))
    return joined(*said, between="; ")
