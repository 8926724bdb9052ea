"""The published `monitoring` and `charts`: running charts of single cases, and what each chart can be trusted to show."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.counts import RISK_UNIT
from pipeline.estimate import notes
from pipeline.estimate.gaps import gaps
from pipeline.estimate.monitoring import Chart, chart, expected_false_alarms
from pipeline.handover import Labels
from pipeline.periods import MONTHS_OF, Period, numbered_period
from pipeline.settings import Settings

FEWEST_CASES = 10
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
    """`monitoring`, a row a case of every chart, and `charts`, a row a chart, those left out among them.

    A chart is one procedure, site, category and window with ten closed cases, at a site whose days are as they were.

    Args:
        cases: Sorted by chart and within it in order: group, site, category, window_days, known_until, performed
            (calendar days), risk (1/10,000), event (0 or 1).
        settings: Windows, the kind of period, and how each site sends days.
        labels: Names of groups, sites and categories.
    """
    dated, charts = [_no_rows((*NAMES, *OF_CASES))], []
    for _, own in cases.groupby(KEY, sort=True):
        names = _names(own, labels)
        why = _left_out(own, names["site"], settings)
        if why:
            charts.append({**names, **_counts(own), "note": why})
            continue
        drawn = chart(own["event"].to_numpy(), own["risk"].to_numpy())
        dated.append(_by_case(own, drawn, settings).assign(**names))
        charts.append({**names, **_counts(own), **_of_chart(own, drawn)})
    told = pd.DataFrame(charts, columns=[*NAMES, *OF_CHARTS])
    alarms = told["false_alarms_a_year"].astype(float)
    total = float(alarms.sum()) if alarms.notna().any() else np.nan
    told["false_alarms_of_all"] = np.where(alarms.notna(), total, np.nan)
    frames = dated[1:] or dated
    return {"monitoring": pd.concat(frames, ignore_index=True)[[*NAMES, *OF_CASES]], "charts": told}


def _no_rows(names: tuple[str, ...]) -> pd.DataFrame:
    return pd.DataFrame({name: pd.Series(dtype=object) for name in names})


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


def _by_case(own: pd.DataFrame, drawn: Chart, settings: Settings) -> pd.DataFrame:
    number, place = np.unique(_period_numbers(own["performed"].to_numpy(), settings), return_inverse=True)
    periods = [numbered_period(settings.period, int(each)) for each in number]
    columns = (
        np.arange(1, len(own) + 1),
        np.array([period.name for period in periods], dtype=object)[place],
        own["event"].to_numpy(),
        own["risk"].to_numpy() / RISK_UNIT,
        drawn.height,
        np.full(len(own), drawn.limit),
        drawn.asks,
        drawn.seen_less_expected,
        _maturing(own, periods, settings)[place],
    )
    return pd.DataFrame(dict(zip(OF_CASES, columns, strict=True)))


def _period_numbers(days: np.ndarray, settings: Settings) -> np.ndarray:
    """As `numbered_period` counts them."""
    month = days.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64) + 12 * 1970
    return np.asarray(month // MONTHS_OF[settings.period])


def _maturing(own: pd.DataFrame, periods: list[Period], settings: Settings) -> np.ndarray:
    """bool [period]: operations of its last days cannot be judged yet, so that more cases will follow."""
    days = int(own["window_days"].iloc[0])
    window = next(window for window in settings.windows if window.days == days)
    last = np.array([np.datetime64(period.last_day, "D").astype(np.int64) for period in periods])
    return np.asarray(last + window.days + window.grace > own["known_until"].to_numpy().max())
