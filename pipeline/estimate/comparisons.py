"""The published `comparisons`: the stated one, and descriptive ones over every outcome."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.catalogue import Catalogue
from pipeline.counts import Cells, Counts
from pipeline.estimate import notes
from pipeline.estimate.two_arms import Arms, odds_ratio, risk_difference, risk_ratio, tests_of
from pipeline.estimate.verdicts import Difference, verdict_of
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
LATER = (
    "adjusted_for", "adj_risk_difference", "adj_rd_low", "adj_rd_high", "adj_risk_ratio", "adj_rr_low", "adj_rr_high",
    "informative_a", "informative_b", "homogeneity_p", "power", "detectable_difference",
)  # fmt: skip
ORDER = (
    *KEYS, "events_a", "cases_a", "events_b", "cases_b", "risk_difference", "rd_ci_low", "rd_ci_high", "risk_ratio",
    "rr_ci_low", "rr_ci_high", "odds_ratio", "or_ci_low", "or_ci_high", "p_fisher", "p_exact", "p_method", *LATER,
    "primary", "verdict", "note",
)  # fmt: skip


@dataclass(frozen=True)
class _Pair:
    """Two arms: which cells belong to each, and what the table calls them."""

    asked: Primary | Compare
    a: np.ndarray
    b: np.ndarray
    groups: tuple[np.ndarray, np.ndarray]  # positions of the procedures in each arm


def comparisons_table(
    counts: Counts, settings: Settings, labels: Labels, catalogue: Catalogue
) -> pd.DataFrame:
    """Rows of the primary comparison, of its arms on everything else, and of every descriptive one."""
    asked = [*([settings.primary] if settings.primary else []), *settings.compare]
    frames = [
        _described(counts, _pair(counts.cells, entry, labels), settings, labels, catalogue) for entry in asked
    ]
    table = pd.concat([pd.DataFrame(columns=list(ORDER)), *frames], ignore_index=True)
    return table.drop_duplicates(list(KEYS), ignore_index=True)[list(ORDER)]


def _pair(cells: Cells, asked: Primary | Compare, labels: Labels) -> _Pair:
    keys = cells.keys
    inside = (
        keys[f"among:{asked.among}"].to_numpy().astype(bool)
        if asked.among
        else np.ones(len(keys), dtype=bool)
    )
    if asked.within:
        inside = inside & (keys["group"] == labels.groups.index(asked.within)).to_numpy()
    column = "group" if asked.by == "procedure" else f"by:{asked.by}"
    words = labels.groups if asked.by == "procedure" else labels.by[asked.by]
    arms = [
        inside & (keys[column] == (words.index(arm) if arm in words else -9)).to_numpy()
        for arm in (asked.a, asked.b)
    ]
    groups = tuple(np.unique(keys["group"].to_numpy()[arm]) for arm in arms)
    return _Pair(asked, arms[0], arms[1], groups)  # type: ignore[arg-type]


def _described(
    counts: Counts, pair: _Pair, settings: Settings, labels: Labels, catalogue: Catalogue
) -> pd.DataFrame:
    frames = []
    for isolated_only in (True, False):
        kept = counts.cells.keys["isolated"].to_numpy().astype(bool) | (not isolated_only)
        for analysis in ("all_cases", "followed", "worst_for_a", "worst_for_b"):
            arms = _arms(counts.cells, pair.a & kept, pair.b & kept, analysis)
            frames.append(_rows(counts, pair, arms, analysis, isolated_only, "", labels))
    frames += _by_age(counts, pair, labels)
    rows = pd.concat(frames, ignore_index=True)
    stated = _is_stated(rows, pair.asked, catalogue)
    worst = rows["analysis"].isin(["worst_for_a", "worst_for_b"])
    banded = rows["stratum_value"] != ""
    empty = (rows["cases_a"] + rows["cases_b"]) == 0
    rows["primary"] = stated & rows["isolated_only"] & ~banded
    rows = rows[stated | ~(worst | banded | empty)]
    return _estimated(rows.reset_index(drop=True), counts, pair, settings, labels, catalogue)


def _by_age(counts: Counts, pair: _Pair, labels: Labels) -> list[pd.DataFrame]:
    """The same, isolated cases of one age band at a time."""
    bands = counts.cells.keys["age_band"].to_numpy()
    isolated = counts.cells.keys["isolated"].to_numpy().astype(bool)
    frames = []
    for band, name in [*enumerate(labels.age_bands), (-1, "unknown")]:
        kept = isolated & (bands == band)
        if (kept & (pair.a | pair.b)).any():
            arms = _arms(counts.cells, pair.a & kept, pair.b & kept, "all_cases")
            frames.append(_rows(counts, pair, arms, "all_cases", True, name, labels))
    return frames


def _arms(cells: Cells, a: np.ndarray, b: np.ndarray, analysis: str) -> Arms:
    """Events and cases of each arm for every outcome, with the lost counted as the analysis says."""
    events, cases, followed = (
        [cells[name][arm].sum(axis=0) for arm in (a, b)] for name in ("events", "cases", "followed")
    )
    lost = [cases[arm] - followed[arm] for arm in (0, 1)]
    if analysis == "followed":
        cases = followed
    if analysis in ("worst_for_a", "worst_for_b"):
        worst = 0 if analysis == "worst_for_a" else 1
        events = [events[arm] + (lost[arm] if arm == worst else 0) for arm in (0, 1)]
    return Arms(events[0], cases[0], events[1], cases[1])


def _rows(
    counts: Counts,
    pair: _Pair,
    arms: Arms,
    analysis: str,
    isolated_only: bool,
    stratum_value: str,
    labels: Labels,
) -> pd.DataFrame:
    asked, outcomes = pair.asked, counts.outcomes
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
            "state": _states(counts, pair),
        }
    )


def _states(counts: Counts, pair: _Pair) -> np.ndarray:
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
    rows: pd.DataFrame, counts: Counts, pair: _Pair, settings: Settings, labels: Labels, catalogue: Catalogue
) -> pd.DataFrame:
    arms = Arms(
        *(rows[name].to_numpy(dtype=np.int64) for name in ("events_a", "cases_a", "events_b", "cases_b"))
    )
    shown = _starts_in_time(rows, catalogue) & rows.pop("state").to_numpy()
    figures: dict[str, object] = {}
    for measure, names in (
        (risk_difference, ("risk_difference", "rd_ci_low", "rd_ci_high")),
        (risk_ratio, ("risk_ratio", "rr_ci_low", "rr_ci_high")),
        (odds_ratio, ("odds_ratio", "or_ci_low", "or_ci_high")),
    ):
        found = measure(arms, settings.confidence)
        values = (found.value, found.low, found.high)
        figures |= {name: np.where(shown, value, np.nan) for name, value in zip(names, values, strict=True)}
    no_ratio = shown & arms.both & np.isnan(figures["risk_ratio"])  # type: ignore[call-overload]
    said = np.select([~shown, ~arms.both, no_ratio], [notes.NOT_COMPARED, notes.NO_CASES, notes.NO_RATIO], "")
    table = rows.assign(**figures, **dict.fromkeys(LATER), note=np.where(said == "", None, said))
    return _tested(table, shown & arms.both, catalogue)


def _starts_in_time(rows: pd.DataFrame, catalogue: Catalogue) -> np.ndarray:
    first = {key: entry.first_day for key, entry in catalogue.complications.items()}
    first_day = rows["category"].map(first).fillna(0).to_numpy()
    return (first_day <= 0) | (rows["window_days"].to_numpy() > first_day)


def _tested(table: pd.DataFrame, estimable: np.ndarray, catalogue: Catalogue) -> pd.DataFrame:
    """Tests and the verdict, for the primary comparison alone."""
    table = table.assign(p_fisher=np.nan, p_exact=np.nan, p_method=None, verdict=None)
    columns = ["events_a", "cases_a", "events_b", "cases_b"]
    for at in np.flatnonzero(table["primary"].to_numpy() & estimable):
        tests = tests_of(*(int(table.at[at, name]) for name in columns))
        table.loc[at, ["p_fisher", "p_exact", "p_method"]] = [tests.fisher, tests.exact, tests.name]
    stated = table[table["primary"]]
    if len(stated):
        first = stated.index[stated["analysis"] == "all_cases"][0]
        table.loc[first, "verdict"] = _verdict(stated.set_index("analysis"), catalogue)
    return table


def _verdict(own: pd.DataFrame, catalogue: Catalogue) -> str | None:
    """The sentence for rows of one primary comparison, by analysis."""
    row, followed = own.loc["all_cases"], own.loc["followed"]
    if np.isnan(row["risk_difference"]):
        return "Nothing can be compared yet: an arm has no closed cases."
    seen = (
        Difference(followed["rd_ci_low"], followed["rd_ci_high"])
        if not np.isnan(followed["risk_difference"])
        else None
    )
    lost = int(row["cases_a"] + row["cases_b"] - followed["cases_a"] - followed["cases_b"])
    names = [_name(str(row[arm]), catalogue) for arm in ("arm_a", "arm_b")]
    return verdict_of(*names, Difference(row["rd_ci_low"], row["rd_ci_high"]), seen, lost, row["p_exact"])


def _name(key: str, catalogue: Catalogue) -> str:
    entry = catalogue.procedures.get(key)
    return entry.name.lower() if entry else key.replace("_", " ")
