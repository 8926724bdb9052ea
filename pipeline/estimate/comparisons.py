"""The published `comparisons`: the stated one, and descriptive ones over every outcome."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.catalogue import Catalogue
from pipeline.compared import arms_of, comparisons_of
from pipeline.counts import Cells, Counts
from pipeline.estimate import notes
from pipeline.estimate.by_age import (
    AGE_BAND,
    REASONS,
    WITHIN_AGE,
    arms_by_age,
    counted_arms,
    trend_said,
    within_age,
)
from pipeline.estimate.proportions import proportion_interval, share_of
from pipeline.estimate.stated import COUNTED, arm_names, tested
from pipeline.estimate.two_arms import Arms, odds_ratio, risk_difference, risk_ratio
from pipeline.handover import Labels
from pipeline.settings import Compare, Primary, Settings

KEYS = (
    "among",
    "by",
    "arm_a",
    "arm_b",
    "category",
    "level",
    "window_days",
    "analysis",
    "isolated_only",
    "stratum_value",
)
ORDER = (
    *KEYS, "events_a", "cases_a", "events_b", "cases_b", "risk_difference", "rd_ci_low", "rd_ci_high", "risk_ratio",
    "rr_ci_low", "rr_ci_high", "odds_ratio", "or_ci_low", "or_ci_high", "p_fisher", "p_exact", "p_method",
    "adjusted_for", *WITHIN_AGE, "power", "detectable_difference", "primary", "verdict", "note",
    "rate_a", "ra_ci_low", "ra_ci_high", "rate_b", "rb_ci_low", "rb_ci_high",
)  # fmt: skip
#: Reasons that are given for the stated comparison alone.
_OF_STATED = ("no_homogeneity", "no_power", "age_trend")


@dataclass(frozen=True)
class Pair:
    """Two arms: which cells belong to each, and what the table calls them."""

    asked: Primary | Compare
    a: np.ndarray
    b: np.ndarray
    groups: tuple[np.ndarray, np.ndarray]  # positions of the procedures in each arm


def comparisons_table(
    counts: Counts, settings: Settings, labels: Labels, catalogue: Catalogue
) -> pd.DataFrame:
    """Rows of the primary comparison, of its arms on everything else, and of every descriptive one."""
    frames = [
        _described(counts, pair_of(counts.cells, entry, labels), settings, labels, catalogue)
        for entry in comparisons_of(settings)
    ]
    if not frames:
        return pd.DataFrame(columns=list(ORDER))
    rows = pd.concat(frames, ignore_index=True).drop_duplicates(list(KEYS), ignore_index=True)
    return _estimated(rows, counts, settings, labels, catalogue)[list(ORDER)]


def pair_of(cells: Cells, asked: Primary | Compare, labels: Labels) -> Pair:
    a, b = arms_of(cells.keys, asked, labels)
    group = cells.keys["group"].to_numpy()
    return Pair(asked, a, b, (np.unique(group[a]), np.unique(group[b])))


def _described(
    counts: Counts, pair: Pair, settings: Settings, labels: Labels, catalogue: Catalogue
) -> pd.DataFrame:
    """Counted rows of one comparison, with its figures within age bands."""
    frames, strata = [], []
    for isolated_only in (True, False):
        kept = counts.cells.keys["isolated"].to_numpy().astype(bool) | (not isolated_only)
        for analysis in ("all_cases", "followed", "worst_for_a", "worst_for_b"):
            frames.append(_rows(counts, pair, kept, analysis, isolated_only, "", labels))
            arms = pair.a & kept, pair.b & kept
            strata.append(arms_by_age(counts.cells, *arms, analysis, len(labels.age_bands)))
    together = Arms(*(np.concatenate([getattr(each, name) for each in strata]) for name in COUNTED))
    within = within_age(together, settings.confidence)
    rows = pd.concat(
        [pd.concat(frames, ignore_index=True).assign(**within), *_by_age(counts, pair, labels)],
        ignore_index=True,
    )
    stated = _is_stated(rows, pair.asked, catalogue)
    worst = rows["analysis"].isin(["worst_for_a", "worst_for_b"])
    banded = rows["stratum_value"] != ""
    empty = (rows["cases_a"] + rows["cases_b"]) == 0
    rows["primary"] = stated & rows["isolated_only"] & ~banded
    return rows[stated | ~(worst | banded | empty)]


def _by_age(counts: Counts, pair: Pair, labels: Labels) -> list[pd.DataFrame]:
    """The same, isolated cases of one age band at a time."""
    bands = counts.cells.keys["age_band"].to_numpy()
    isolated = counts.cells.keys["isolated"].to_numpy().astype(bool)
    frames = []
    for band, name in [*enumerate(labels.age_bands), (-1, "unknown")]:
        kept = isolated & (bands == band)
        if (kept & (pair.a | pair.b)).any():
            rows = _rows(counts, pair, kept, "all_cases", True, name, labels)
            frames.append(rows.assign(**dict.fromkeys(WITHIN_AGE, np.nan), **dict.fromkeys(REASONS, "")))
    return frames


def clustered(cells: Cells, *arms: np.ndarray) -> np.ndarray:
    """bool by outcome: in an arm too many cases are two sides of one patient."""
    paired, cases = (np.stack([cells[name][arm].sum(axis=0) for arm in arms]) for name in ("paired", "cases"))
    return np.asarray(notes.is_clustered(paired, cases).any(axis=0))


def _rows(
    counts: Counts,
    pair: Pair,
    kept: np.ndarray,
    analysis: str,
    isolated_only: bool,
    stratum_value: str,
    labels: Labels,
) -> pd.DataFrame:
    """One row an outcome, over the kept cells of each arm."""
    asked, outcomes = pair.asked, counts.outcomes
    arms = counted_arms(counts.cells, pair.a & kept, pair.b & kept, analysis)
    named = zip(outcomes.category, outcomes.level, strict=True)
    return pd.DataFrame(
        {
            "among": asked.among,
            "by": asked.by,
            "arm_a": asked.a,
            "arm_b": asked.b,
            "category": np.array(labels.categories, dtype=object)[outcomes.category],
            "level": [labels.levels[category][level] for category, level in named],
            "window_days": outcomes.window_days,
            "analysis": analysis,
            "isolated_only": isolated_only,
            "stratum_value": stratum_value,
            "events_a": arms.events_a,
            "cases_a": arms.cases_a,
            "events_b": arms.events_b,
            "cases_b": arms.cases_b,
            "state": comparable(counts, pair),
            "clustered": clustered(counts.cells, pair.a & kept, pair.b & kept),
        }
    )


def comparable(counts: Counts, pair: Pair) -> np.ndarray:
    """bool by outcome: it can occur and is defined in both arms."""
    can = [(counts.defined[group] == 1).all(axis=0) if len(group) else None for group in pair.groups]
    known = [each for each in can if each is not None]
    both = np.logical_and.reduce(known) if known else np.ones(counts.defined.shape[1], dtype=bool)
    return both[counts.outcomes.category]


def _is_stated(rows: pd.DataFrame, asked: Primary | Compare, catalogue: Catalogue) -> np.ndarray:
    if not isinstance(asked, Primary):
        return np.zeros(len(rows), dtype=bool)
    entry = catalogue.complications.get(asked.category)
    level = asked.level or (entry.main_level if entry else "any")
    same = (
        (rows["category"] == asked.category)
        & (rows["level"] == level)
        & (rows["window_days"] == asked.window)
    )
    return same.to_numpy()


def _estimated(
    rows: pd.DataFrame, counts: Counts, settings: Settings, labels: Labels, catalogue: Catalogue
) -> pd.DataFrame:
    """All comparisons at once, so that each distinct table is worked out once."""
    arms = Arms(*(rows[name].to_numpy(dtype=np.int64) for name in COUNTED))
    shown = _starts_in_time(rows, catalogue) & rows.pop("state").to_numpy()
    figures = _shares(arms, shown, settings)
    for measure, names in (
        (risk_difference, ("risk_difference", "rd_ci_low", "rd_ci_high")),
        (risk_ratio, ("risk_ratio", "rr_ci_low", "rr_ci_high")),
        (odds_ratio, ("odds_ratio", "or_ci_low", "or_ci_high")),
    ):
        found = measure(arms, settings.confidence)
        values = (found.value, found.low, found.high)
        figures |= {name: np.where(shown, value, np.nan) for name, value in zip(names, values, strict=True)}
    estimable = shown & arms.both
    table = _with_adjusted(rows.assign(**figures), estimable)
    table = tested(table, shown, estimable, settings, catalogue)
    table["age_trend"] = ""
    for at in np.flatnonzero(estimable & table["verdict"].notna().to_numpy()).tolist():
        table.loc[at, "age_trend"] = _trend(table.iloc[at], counts, settings, labels, catalogue)
    return table.assign(note=_notes(table, shown, arms))


def _shares(arms: Arms, shown: np.ndarray, settings: Settings) -> dict[str, np.ndarray]:
    """Share of each arm with its interval, by the method of the rates; nan in an arm without cases."""
    told: dict[str, np.ndarray] = {}
    for arm, events, cases in (("a", arms.events_a, arms.cases_a), ("b", arms.events_b, arms.cases_b)):
        interval = proportion_interval(events, cases, settings.interval, settings.confidence)
        figures = (share_of(events, cases), interval.low, interval.high)
        names = (f"rate_{arm}", f"r{arm}_ci_low", f"r{arm}_ci_high")
        told |= {name: np.where(shown, figure, np.nan) for name, figure in zip(names, figures, strict=True)}
    return told


def _with_adjusted(rows: pd.DataFrame, estimable: np.ndarray) -> pd.DataFrame:
    """Figures within age bands stand only beside crude ones, the test of homogeneity only in stated rows."""
    kept = {name: np.where(estimable, rows[name], np.nan) for name in WITHIN_AGE}
    kept["homogeneity_p"] = np.where(rows["primary"], kept["homogeneity_p"], np.nan)
    some = ~(np.isnan(kept["adj_risk_difference"]) & np.isnan(kept["adj_risk_ratio"]))
    return rows.assign(**kept, adjusted_for=np.where(some, AGE_BAND, ""))


def _trend(row: pd.Series, counts: Counts, settings: Settings, labels: Labels, catalogue: Catalogue) -> str:
    """Over the age bands of the stated comparison's isolated cases."""
    if settings.primary is None:
        return ""
    pair = pair_of(counts.cells, settings.primary, labels)
    outcomes = counts.outcomes
    here = (
        (outcomes.category == labels.categories.index(row["category"]))
        & (outcomes.level == labels.levels[labels.categories.index(row["category"])].index(row["level"]))
        & (outcomes.window_days == row["window_days"])
    )
    kept = counts.cells.keys["isolated"].to_numpy().astype(bool)
    strata = arms_by_age(counts.cells, pair.a & kept, pair.b & kept, "all_cases", len(labels.age_bands))
    own = Arms(*(getattr(strata, name)[here] for name in COUNTED))
    return trend_said(own, arm_names(row, catalogue), settings.confidence)


def _notes(table: pd.DataFrame, shown: np.ndarray, arms: Arms) -> pd.Series:
    """What is missing and why, none of it twice; of figures beside the crude ones only where there are crude ones."""
    estimable = shown & arms.both
    no_ratio = estimable & (table["risk_ratio"].isna() | table["odds_ratio"].isna()).to_numpy()
    first = np.select(
        [~shown, ~arms.both, no_ratio], [notes.NOT_COMPARED, notes.NO_CASES, notes.NO_RATIO], ""
    )
    clustered = np.where(table["clustered"].to_numpy() & estimable, notes.CLUSTERED_ARM, "")
    stated = estimable & table["primary"].to_numpy(dtype=bool)
    beside = [
        np.where(stated if name in _OF_STATED else estimable, table[name].fillna(""), "")
        for name in (*REASONS, "no_power", "age_trend")
    ]
    columns = [column.tolist() for column in (first, clustered, *beside)]
    said = [notes.together(*dict.fromkeys(told)) or None for told in zip(*columns, strict=True)]
    return pd.Series(said, dtype="str")


def _starts_in_time(rows: pd.DataFrame, catalogue: Catalogue) -> np.ndarray:
    first = {key: entry.first_day for key, entry in catalogue.complications.items()}
    first_day = rows["category"].map(first).fillna(0).to_numpy()
    return (first_day <= 0) | (rows["window_days"].to_numpy() > first_day)
