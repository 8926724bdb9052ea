"""The two passes behind expected risk: covariate cells for the model, then a histogram of its risks.

Pass one leaves the surgeon out, so the model cannot learn a surgeon. Pass two only needs each case's risk,
rounded to a whole ten-thousandth, so that it adds without rounding error. Running charts need the cases in order.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.case_evidence import Days, evidence_rows, laid_to_surgeons
from pipeline.catalogue import Catalogue, complication_of
from pipeline.count.outcomes import (
    readings,
    surgeon_outcomes,
)
from pipeline.counts import COVARIATES, Cells, Outcomes, Risks, joint_cells
from pipeline.errors import CannotFinish
from pipeline.handover import Cases
from pipeline.ordered import order_of
from pipeline.settings import Settings, Window
from pipeline.watched import closed_cases, quiet_cases

HISTOGRAM_KEYS = ("surgeon", "category", "window_days", "risk")
HISTOGRAM_COUNTS = ("cases", "events", "followed", "assessed")
#: Columns of a case on a running chart: the chart, then calendar days, the risk in 1/10,000 and 0 or 1.
CHARTED = ("group", "site", "category", "window_days", "known_until", "performed", "risk", "event")
CHART_ORDER = ("operation", "side")
#: The numbers as they are kept: there is a row for every case and outcome.
CHARTED_AS = {
    "group": np.int16, "site": np.int16, "category": np.int16, "window_days": np.int32, "known_until": np.int32,
    "performed": np.int32, "risk": np.int16, "event": np.int8, "operation": np.int32, "side": np.int8,
}  # fmt: skip
OF_A_CASE = ("group", "site", "known_until", "performed", *CHART_ORDER)


def covariate_cells(
    cases: Cases, outcomes: Outcomes, laid: Mapping[int, Days], windows: Mapping[int, Window]
) -> Cells:
    """Pass one: closed cases and events of each outcome by covariate cell, missing being a level of its own."""
    cell, keys = joint_cells(cases.cases[list(COVARIATES)])
    statistics = {name: np.zeros((len(keys), len(outcomes)), np.int64) for name in ("cases", "events")}
    for column, (at_risk, event) in enumerate(_at_risk(cases, outcomes, laid, windows)):
        statistics["cases"][:, column] = np.bincount(cell[at_risk], minlength=len(keys))
        statistics["events"][:, column] = np.bincount(cell[event], minlength=len(keys))
    return Cells(keys, statistics)


def _at_risk(
    cases: Cases, outcomes: Outcomes, laid: Mapping[int, Days], windows: Mapping[int, Window]
) -> Iterable[tuple[np.ndarray, np.ndarray]]:
    """For each outcome: which cases are closed and can have it, and the positions of those that had it."""
    group = cases.cases["group"].to_numpy(np.int64)
    closed = {days: closed_cases(cases.cases, window) for days, window in windows.items()}
    for category, days in zip(outcomes.category.tolist(), outcomes.window_days.tolist(), strict=True):
        at_risk = closed[days] & (cases.defined[group, category] == 1)
        yield at_risk, laid[category].within(at_risk, days).at


@dataclass(frozen=True)
class _Judged:
    """The closed cases of one outcome; positions and, of the same length, what is known of each (0 or 1)."""

    category: int
    window_days: int
    at: np.ndarray
    risk: np.ndarray
    event: np.ndarray
    followed: np.ndarray
    assessed: np.ndarray


def _judged(cases: Cases, settings: Settings, catalogue: Catalogue, risks: Risks) -> Iterator[_Judged]:
    """Every outcome shown by surgeon; a surgeon's events make a case followed and assessed, no other's do."""
    outcomes = surgeon_outcomes(cases.labels, settings, catalogue)
    laid = laid_to_surgeons(evidence_rows(cases), cases.labels, catalogue)
    windows = {window.days: window for window in settings.windows}
    read, cell = readings(cases, catalogue), _cells_of(cases.cases, risks.keys)
    for column, (at_risk, event) in enumerate(_at_risk(cases, outcomes, laid, windows)):
        category, days = int(outcomes.category[column]), int(outcomes.window_days[column])
        seen_in = complication_of(catalogue, cases.labels.categories[category]).seen_in
        had = _marked(len(cases.cases), event)
        assessed = had | _marked(len(had), read[category]) if category in read else np.zeros_like(had)
        followed = had | quiet_cases(cases.cases, windows[days], seen_in)
        at = np.flatnonzero(at_risk)
        known = (each[at].astype(np.int64) for each in (had, followed, assessed))
        yield _Judged(category, days, at, risks.risk[cell[at], column], *known)


def _marked(cases: int, positions: np.ndarray) -> np.ndarray:
    mask = np.zeros(cases, bool)
    mask[positions] = True
    return mask


def risk_histogram(cases: Cases, settings: Settings, catalogue: Catalogue, risks: Risks) -> pd.DataFrame:
    """Pass two: `HISTOGRAM_COUNTS` by surgeon, category, window and risk in 1/10,000.

    Raises:
        CannotFinish: A case has covariates that pass one did not see.
    """
    surgeon = cases.cases["surgeon"].to_numpy(np.int64)
    return added_histograms(_by_risk(own, surgeon) for own in _judged(cases, settings, catalogue, risks))


def _by_risk(own: _Judged, surgeon: np.ndarray) -> pd.DataFrame:
    """The histogram of one outcome."""
    cell, keys = joint_cells(pd.DataFrame({"surgeon": surgeon[own.at], "risk": own.risk}))
    having = {"events": own.event, "followed": own.followed, "assessed": own.assessed}
    return pd.DataFrame(
        {
            "surgeon": keys["surgeon"],
            "category": own.category,
            "window_days": own.window_days,
            "risk": keys["risk"],
            "cases": np.bincount(cell, minlength=len(keys)),
            **{name: np.bincount(cell[mask == 1], minlength=len(keys)) for name, mask in having.items()},
        }
    )


def added_histograms(parts: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """Histograms of several partitions as one, sorted by their keys."""
    several = list(parts)
    if not several:
        return _no_rows((*HISTOGRAM_KEYS, *HISTOGRAM_COUNTS))
    together = pd.concat(several, ignore_index=True).astype(np.int64)
    sums = together.groupby(list(HISTOGRAM_KEYS), sort=True, as_index=False)
    return sums[list(HISTOGRAM_COUNTS)].sum()


def _no_rows(names: Iterable[str]) -> pd.DataFrame:
    return pd.DataFrame({name: pd.Series(dtype=np.int64) for name in names})


def chart_cases(cases: Cases, settings: Settings, catalogue: Catalogue, risks: Risks) -> pd.DataFrame:
    """Pass two for running charts: every closed case of every outcome, `CHARTED`, and what orders them.

    Raises:
        CannotFinish: A case has covariates that pass one did not see.
    """
    order = order_of(cases.cases, ["group", "site", "performed", *CHART_ORDER])
    named = {name: cases.cases[name].to_numpy(CHARTED_AS[name])[order] for name in OF_A_CASE}
    each = [_charted(own, named, order) for own in _judged(cases, settings, catalogue, risks)]
    return pd.DataFrame(
        {
            name: np.concatenate([np.zeros(0, kind), *(columns[name].astype(kind) for columns in each)])
            for name, kind in CHARTED_AS.items()
        }
    )


def _charted(own: _Judged, named: Mapping[str, np.ndarray], order: np.ndarray) -> dict[str, np.ndarray]:
    """Columns of one outcome's cases, in the order of charts: `order` is that of all cases, whose columns are in it."""
    inside = _marked(len(order), own.at)
    here = inside[order]
    place = np.cumsum(inside)[order[here]] - 1
    told = {"risk": own.risk[place], "event": own.event[place]}
    told |= {name: np.full(len(place), getattr(own, name)) for name in ("category", "window_days")}
    return told | {name: column[here] for name, column in named.items()}


def added_chart_cases(parts: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """Cases of all partitions as `CHARTED`, each chart's in the order of their operations and then of case ids.

    No patient, surgeon or operation is told any more.
    """
    together = pd.concat(list(parts), ignore_index=True)
    order = order_of(together, [*CHARTED[:4], "performed", *CHART_ORDER])
    return together[list(CHARTED)].take(order).reset_index(drop=True)


def _cells_of(cases: pd.DataFrame, known: pd.DataFrame) -> np.ndarray:
    """Each case's covariate cell."""
    both = pd.concat([known, cases[list(COVARIATES)]], ignore_index=True)
    number, _ = joint_cells(both)
    place = np.full(int(number.max(initial=-1)) + 1, -1, np.int64)
    place[number[: len(known)]] = np.arange(len(known))
    cell = place[number[len(known) :]]
    if (cell < 0).any():
        raise CannotFinish(
            f"{int((cell < 0).sum())} cases have covariates that the expected risk was not worked out for. "
            "Expected the risks of the same cases. Work them out again from the counts of this run."
        )
    return cell
