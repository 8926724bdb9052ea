"""The published `monitoring` and `charts`: running charts of single cases, and what each chart can be trusted to show."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd

from pipeline.counts import RISK_UNIT
from pipeline.estimate import notes
from pipeline.estimate.gaps import gaps
from pipeline.estimate.monitoring import Chart, charts, expected_false_alarms
from pipeline.handover import Labels
from pipeline.periods import MONTHS_OF, Period, numbered_period
from pipeline.settings import Settings

FEWEST_CASES = 10
#: Charts of more cases are told by some of them: see `told_cases`.
MOST_TOLD_WHOLE = 5000
#: Stretches of equally many cases, of each of which the turns are told.
STRETCHES = 150
DAYS_PER_YEAR = 365.25
KEY = ["group", "site", "category", "window_days"]
NAMES = ("procedure", "site", "category", "window_days")
OF_CASES = (
    "sequence", "period", "outcome", "expected", "score", "limit", "asks_for_check", "observed_minus_expected",
    "maturing",
)  # fmt: skip
OF_CHARTS = (
    "cases", "events", "expected", "limit", "run_length", "run_length_if_doubled", "checks", "since_last_event",
    "chance_of_so_long", "false_alarms_a_year", "false_alarms_of_all", "note",
)  # fmt: skip


def monitoring_tables(cases: pd.DataFrame, settings: Settings, labels: Labels) -> dict[str, pd.DataFrame]:
    """`monitoring`, a row a case told of every chart, and `charts`, a row a chart, those left out among them.

    A chart is one procedure, site, category and window with ten closed cases, at a site whose days are as they were.

    Args:
        cases: Sorted by chart and within it in order: group, site, category, window_days, known_until, performed
            (calendar days), risk (1/10,000), event (0 or 1).
        settings: Windows, the kind of period, and how each site sends days.
        labels: Names of groups, sites and categories.
    """
    several = _by_chart(cases)
    names = [_names(own, labels) for own in several]
    why = [_left_out(own, each["site"], settings) for own, each in zip(several, names, strict=True)]
    whole = [at for at, reason in enumerate(why) if not reason]
    found = charts([(several[at]["event"].to_numpy(), several[at]["risk"].to_numpy()) for at in whole])
    drawn = {at: _Drawn(several[at], names[at], own) for at, own in zip(whole, found, strict=True)}
    rows = [
        {
            **names[at],
            **_counts(own),
            **(_of_chart(own, drawn[at].chart) if at in drawn else {"note": why[at]}),
        }
        for at, own in enumerate(several)
    ]
    told = pd.DataFrame(rows, columns=[*NAMES, *OF_CHARTS])
    alarms = told["false_alarms_a_year"].astype(float)
    total = float(alarms.sum()) if alarms.notna().any() else np.nan
    told["false_alarms_of_all"] = np.where(alarms.notna(), total, np.nan)
    return {"monitoring": _by_case(list(drawn.values()), settings), "charts": told}


def _by_chart(cases: pd.DataFrame) -> list[pd.DataFrame]:
    """The cases of each chart, one after the other, in whole numbers that can be reckoned with."""
    keys = [cases[name].to_numpy() for name in KEY]
    begins = np.logical_or.reduce([key[1:] != key[:-1] for key in keys]).nonzero()[0] + 1
    limits = [0, *begins.tolist(), len(cases)] if len(cases) else []
    return [cases.iloc[begin:end].astype(np.int64) for begin, end in pairwise(limits)]


@dataclass(frozen=True)
class _Drawn:
    """A chart with its cases and names."""

    own: pd.DataFrame
    names: dict[str, str | int]
    chart: Chart


def _names(own: pd.DataFrame, labels: Labels) -> dict[str, str | int]:
    group, site, category, days = (int(own[name].iloc[0]) for name in KEY)
    return {
        "procedure": labels.groups[group],
        "site": labels.sites[site],
        "category": labels.categories[category],
        "window_days": days,
    }


def _left_out(own: pd.DataFrame, site: str | int, settings: Settings) -> str:
    """Why there is no chart, or nothing."""
    stated = settings.sites.get(str(site))
    if stated is not None and stated.dates != "exact":
        return notes.NO_ORDER
    return notes.NO_CHART if len(own) < FEWEST_CASES else ""


def _counts(own: pd.DataFrame) -> dict[str, object]:
    return {"cases": len(own), "events": int(own["event"].sum())}


def _of_chart(own: pd.DataFrame, drawn: Chart) -> dict[str, object]:
    performed = own["performed"].to_numpy()
    a_year = len(own) * DAYS_PER_YEAR / (performed[-1] - performed[0] + 1)
    between = gaps(own["event"].to_numpy(), own["risk"].to_numpy())
    return {
        "expected": own["risk"].sum() / RISK_UNIT,
        "limit": drawn.limit,
        "run_length": _finite(drawn.run_length),
        "run_length_if_doubled": _finite(drawn.run_length_if_real),
        "checks": int(drawn.asks.sum()),
        "since_last_event": between.since,
        "chance_of_so_long": between.as_long_since,
        "false_alarms_a_year": expected_false_alarms([a_year], [_finite(drawn.run_length)]),
        "note": "" if np.isfinite(drawn.run_length) else notes.NEVER_ASKS,
    }


def _finite(length: float) -> float:
    """Empty where chance alone never takes the chart to its limit."""
    return length if np.isfinite(length) else float("nan")


def told_cases(number: np.ndarray, drawn: Chart) -> np.ndarray:
    """Places of the cases of a chart that get a row, rising: all of them, unless it has more than 5,000.

    Of a longer one: each case at which it asks for a check, the last case of each period, and of each of 150 stretches
    the first and last case and those at which the height and the running sum are lowest and highest.

    Args:
        number: int [case], of the period; never falling.
        drawn: The chart.
    """
    if len(number) <= MOST_TOLD_WHOLE:
        return np.arange(len(number))
    begins = np.arange(STRETCHES) * len(number) // STRETCHES
    ends = np.append(begins[1:], len(number))
    lines = drawn.height, drawn.seen_less_expected
    turns = [
        begin + place
        for begin, end in zip(begins.tolist(), ends.tolist(), strict=True)
        for line in lines
        for place in (int(line[begin:end].argmin()), int(line[begin:end].argmax()))
    ]
    last = np.flatnonzero(np.diff(number))
    return np.unique(np.concatenate([begins, ends - 1, turns, last, np.flatnonzero(drawn.asks)]))


def _by_case(drawn: list[_Drawn], settings: Settings) -> pd.DataFrame:
    """A row a case told of every chart, in order."""
    if not drawn:
        return pd.DataFrame({name: pd.Series(dtype=object) for name in (*NAMES, *OF_CASES)})
    numbers = [_period_numbers(each.own["performed"].to_numpy(), settings) for each in drawn]
    told = [told_cases(number, each.chart) for number, each in zip(numbers, drawn, strict=True)]
    sizes = [len(each) for each in told]
    number, place = np.unique(_picked(numbers, told), return_inverse=True)
    periods = [numbered_period(settings.period, int(each)) for each in number]
    event, risk = (_picked([each.own[name].to_numpy() for each in drawn], told) for name in ("event", "risk"))
    height, asks, path = (
        _picked([getattr(each.chart, name) for each in drawn], told)
        for name in ("height", "asks", "seen_less_expected")
    )
    columns = (
        *(np.repeat(np.array([each.names[name] for each in drawn], dtype=object), sizes) for name in NAMES),
        np.concatenate(told) + 1,
        np.array([period.name for period in periods], dtype=object)[place],
        event,
        risk / RISK_UNIT,
        height,
        np.repeat([each.chart.limit for each in drawn], sizes),
        asks,
        path,
        _maturing(drawn, sizes, periods, place, settings),
    )
    found = pd.DataFrame(dict(zip((*NAMES, *OF_CASES), columns, strict=True)))
    return found.astype({"window_days": "int64"})


def _picked(values: list[np.ndarray], told: list[np.ndarray]) -> np.ndarray:
    """Of each chart's values by case those of the cases told, one chart after the other."""
    return np.concatenate([own[places] for own, places in zip(values, told, strict=True)])


def _period_numbers(days: np.ndarray, settings: Settings) -> np.ndarray:
    """As `numbered_period` counts them."""
    month = days.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64) + 12 * 1970
    return np.asarray(month // MONTHS_OF[settings.period])


def _maturing(
    drawn: list[_Drawn], sizes: list[int], periods: list[Period], place: np.ndarray, settings: Settings
) -> np.ndarray:
    """bool [case told]: operations of its period's last days cannot be judged yet, so that more cases will follow."""
    until = {window.days: window.days + window.grace for window in settings.windows}
    last = np.array([np.datetime64(period.last_day, "D").astype(np.int64) for period in periods])
    judged = [int(each.own["known_until"].max()) - until[int(each.names["window_days"])] for each in drawn]
    return np.asarray(last[place] > np.repeat(judged, sizes))
