"""The published `surgeon_outcomes`: each surgeon's cases against what such patients lead to expect."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.catalogue import Catalogue
from pipeline.counts import RISK_UNIT
from pipeline.estimate import notes
from pipeline.estimate.expected import Expected
from pipeline.estimate.funnel import OverDispersion, over_dispersion
from pipeline.estimate.poisson_binomial import NORMAL
from pipeline.estimate.proportions import proportion_interval, share_of
from pipeline.estimate.risk_model import RATES
from pipeline.estimate.surgeon_words import surgeon_sentence
from pipeline.estimate.surgeons import FEWEST_CASES, RiskHistogram, SurgeonFigures, surgeon_figures
from pipeline.handover import Labels
from pipeline.settings import Settings

UNATTRIBUTED = "unattributed"
ROW = ["surgeon", "category", "window_days"]
INTERVALS = {"wilson": "Wilson", "clopper-pearson": "Clopper–Pearson"}
COUNTED = ["cases", "events", "followed", "assessed"]


def surgeon_outcomes_table(
    histogram: pd.DataFrame, expected: Expected, settings: Settings, labels: Labels, catalogue: Catalogue
) -> pd.DataFrame:
    """One row a surgeon, category and window with closed cases; those without a surgeon are a row too.

    Args:
        histogram: Cases, events, followed and assessed by surgeon, category, window and risk in 1/10,000.
        expected: Where the risks come from.
        settings: Confidence and the kind of interval.
        labels: Names of surgeons and categories.
        catalogue: Which categories are measured.
    """
    rows = histogram.groupby(ROW, sort=True, as_index=False)[COUNTED].sum()
    number = histogram.groupby(ROW, sort=True).ngroup().to_numpy(np.int64)
    risks = RiskHistogram(number, histogram["risk"].to_numpy(), histogram["cases"].to_numpy(), len(rows))
    family = rows.groupby(ROW[1:], sort=True).ngroup().to_numpy(np.int64)
    named = rows["surgeon"].to_numpy() >= 0
    events = rows["events"].to_numpy(np.int64)
    figures = surgeon_figures(risks, events, family, named, settings.confidence)
    told = {
        "note": _notes(rows, figures, expected, family, named),
        "in_words": _sentences(rows, figures, settings),
    }
    return pd.DataFrame({**_keys(rows, labels), **_shown(rows, figures, labels, catalogue), **told})


@dataclass(frozen=True)
class Spread:
    """How far the ratios of the named surgeons with ten cases of one outcome lie apart; how many they are."""

    surgeons: int
    beyond_chance: OverDispersion


def spreads(histogram: pd.DataFrame) -> dict[tuple[int, int], Spread]:
    """By category and window, from the same histogram as `surgeon_outcomes_table`."""
    risk = histogram["risk"].to_numpy() / RISK_UNIT
    weighted = histogram.assign(
        expected=histogram["cases"] * risk, variance=histogram["cases"] * risk * (1 - risk)
    )
    rows = weighted.groupby(ROW, sort=True, as_index=False)[["cases", "events", "expected", "variance"]].sum()
    rows = rows[(rows["surgeon"] >= 0) & (rows["cases"] >= FEWEST_CASES)]
    found: dict[tuple[int, int], Spread] = {}
    for _, own in rows.groupby(ROW[1:], sort=True):
        outcome = (int(own["category"].iloc[0]), int(own["window_days"].iloc[0]))
        found[outcome] = Spread(len(own), _beyond_chance(own))
    return found


def _beyond_chance(rows: pd.DataFrame) -> OverDispersion:
    varies = rows[rows["variance"] > 0]
    expected = varies["expected"].to_numpy()
    return over_dispersion(
        varies["events"].to_numpy() / expected, 1.0, varies["variance"].to_numpy() / expected**2
    )


def _keys(rows: pd.DataFrame, labels: Labels) -> dict[str, object]:
    return {
        "surgeon": np.array([*labels.surgeons, UNATTRIBUTED], dtype=object)[rows["surgeon"]],
        "category": np.array(labels.categories, dtype=object)[rows["category"]],
        "window_days": rows["window_days"],
        "cases": rows["cases"],
    }


def _shown(
    rows: pd.DataFrame, figures: SurgeonFigures, labels: Labels, catalogue: Catalogue
) -> dict[str, object]:
    """Figures in the order of the table; all but the counts empty with fewer than ten cases."""
    enough = ~np.isnan(figures.expected)
    cases = rows["cases"].to_numpy()
    entries = [catalogue.complications.get(key) for key in labels.categories]
    measured = np.array([bool(entry and entry.measured) for entry in entries])[rows["category"]]
    shares = {name: share_of(rows[name].to_numpy(), cases) for name in ("followed", "assessed")}
    return {
        "followed_share": np.where(enough, shares["followed"], np.nan),
        "assessed_share": np.where(enough & measured, shares["assessed"], np.nan),
        "events": rows["events"],
        "expected": figures.expected,
        "ratio": figures.ratio.value,
        "ratio_ci_low": figures.ratio.low,
        "ratio_ci_high": figures.ratio.high,
        "steadied_ratio": figures.steadied.value,
        "steadied_low": figures.steadied.low,
        "steadied_high": figures.steadied.high,
        "limit_95_low": figures.limits_95.low / cases,
        "limit_95_high": figures.limits_95.high / cases,
        "limit_998_low": figures.limits_998.low / cases,
        "limit_998_high": figures.limits_998.high / cases,
        "against_limits": figures.against_limits,
        "q_value": figures.q_value,
        "without_own_cases": figures.without_own,
    }


def _notes(
    rows: pd.DataFrame, figures: SurgeonFigures, expected: Expected, family: np.ndarray, named: np.ndarray
) -> list[str]:
    enough = ~np.isnan(figures.expected)
    steadied = ~np.isnan(figures.steadied.value)
    no_spread = steadied & np.isnan(figures.steadied.low)
    surgeons = np.bincount(family, weights=named, minlength=int(family.max(initial=-1)) + 1)[family]
    marks = (
        (~enough, notes.TOO_FEW),
        (enough & named & (surgeons == 1), notes.ONLY_SURGEON),
        (enough & _by_rates(rows, expected), notes.EXPECTED_BY_RATES),
        (enough & (figures.method == NORMAL), notes.NORMAL_LIMITS),
        (no_spread, notes.NO_SPREAD),
        (steadied & ~no_spread, notes.STEADIED_TOO_NARROW),
    )
    told = [np.where(said, text, "").tolist() for said, text in marks]
    return [notes.together(*each) for each in zip(*told, strict=True)]


def _by_rates(rows: pd.DataFrame, expected: Expected) -> np.ndarray:
    """bool [row]: too few events for a regression."""
    outcomes = zip(
        expected.outcomes.category.tolist(),
        expected.outcomes.window_days.tolist(),
        expected.models,
        strict=True,
    )
    rough = {(category, days) for category, days, model in outcomes if model.method == RATES}
    own = zip(rows["category"].tolist(), rows["window_days"].tolist(), strict=True)
    return np.array([key in rough for key in own], dtype=bool)


def _sentences(rows: pd.DataFrame, figures: SurgeonFigures, settings: Settings) -> list[str]:
    """The sentence of each row, see `surgeon_sentence`."""
    events, cases = rows["events"].to_numpy(np.int64), rows["cases"].to_numpy(np.int64)
    interval = proportion_interval(events, cases, settings.interval, settings.confidence)
    columns = (events, cases, interval.low, interval.high, figures.expected, figures.as_many)
    listed = zip(*(each.tolist() for each in (*columns, figures.against_limits)), strict=True)
    return [
        surgeon_sentence(
            events=had,
            cases=of,
            low=low,
            high=high,
            interval=INTERVALS[interval.method],
            expected=awaited,
            as_many=as_many,
            against_limits=against,
        )
        for had, of, low, high, awaited, as_many, against in listed
    ]
