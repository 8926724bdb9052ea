"""The published `comparisons`: the stated one, and descriptive ones over every outcome."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.catalogue import Catalogue
from pipeline.counts import Cells, Counts
from pipeline.estimate import notes
from pipeline.estimate.two_arms import Arms, Tests, odds_ratio, risk_difference, risk_ratio, tests_of
from pipeline.estimate.verdicts import NO_CASES, NOT_COMPARED, Difference, verdict_of
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
    asked: list[Primary | Compare] = [*([settings.primary] if settings.primary else []), *settings.compare]
    frames = [
        _described(counts, _pair(counts.cells, entry, labels), settings, labels, catalogue) for entry in asked
    ]
    if not frames:
        return pd.DataFrame(columns=list(ORDER))
    table = pd.concat(frames, ignore_index=True)
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
            frames.append(_rows(counts, pair, kept, analysis, isolated_only, "", labels))
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
            frames.append(_rows(counts, pair, kept, "all_cases", True, name, labels))
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


def _clustered(cells: Cells, *arms: np.ndarray) -> np.ndarray:
    """bool by outcome: in an arm too many cases are two sides of one patient."""
    paired, cases = (np.stack([cells[name][arm].sum(axis=0) for arm in arms]) for name in ("paired", "cases"))
    return np.asarray(notes.is_clustered(paired, cases).any(axis=0))


def _rows(
    counts: Counts,
    pair: _Pair,
    kept: np.ndarray,
    analysis: str,
    isolated_only: bool,
    stratum_value: str,
    labels: Labels,
) -> pd.DataFrame:
    """One row an outcome, over the kept cells of each arm."""
    asked, outcomes = pair.asked, counts.outcomes
    arms = _arms(counts.cells, pair.a & kept, pair.b & kept, analysis)
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
            "clustered": _clustered(counts.cells, pair.a & kept, pair.b & kept),
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
    figures: dict[str, np.ndarray] = {}
    for measure, names in (
        (risk_difference, ("risk_difference", "rd_ci_low", "rd_ci_high")),
        (risk_ratio, ("risk_ratio", "rr_ci_low", "rr_ci_high")),
        (odds_ratio, ("odds_ratio", "or_ci_low", "or_ci_high")),
    ):
        found = measure(arms, settings.confidence)
        values = (found.value, found.low, found.high)
        figures |= {name: np.where(shown, value, np.nan) for name, value in zip(names, values, strict=True)}
    no_ratio = shown & arms.both & (np.isnan(figures["risk_ratio"]) | np.isnan(figures["odds_ratio"]))
    first = np.select(
        [~shown, ~arms.both, no_ratio], [notes.NOT_COMPARED, notes.NO_CASES, notes.NO_RATIO], ""
    )
    second = np.where(rows.pop("clustered").to_numpy() & shown & arms.both, notes.CLUSTERED_ARM, "")
    said = [notes.together(*both) or None for both in zip(first.tolist(), second.tolist(), strict=True)]
    later = dict.fromkeys(LATER, np.full(len(rows), np.nan))
    table = rows.assign(**figures, **later, note=pd.Series(said, dtype="str"))
    return _tested(table, shown, shown & arms.both, 1 - settings.confidence, catalogue)


def _starts_in_time(rows: pd.DataFrame, catalogue: Catalogue) -> np.ndarray:
    first = {key: entry.first_day for key, entry in catalogue.complications.items()}
    first_day = rows["category"].map(first).fillna(0).to_numpy()
    return (first_day <= 0) | (rows["window_days"].to_numpy() > first_day)


def _tested(
    table: pd.DataFrame, shown: np.ndarray, estimable: np.ndarray, alpha: float, catalogue: Catalogue
) -> pd.DataFrame:
    """Tests and the verdict, for the primary comparison alone."""
    primary = table["primary"].to_numpy(dtype=bool)
    tests = [_tests(row) if tested else None for row, tested in _each(table, primary & estimable)]
    verdicts: list[str | None] = [None] * len(table)
    if primary.any():
        at = int(np.flatnonzero(primary & (table["analysis"] == "all_cases").to_numpy())[0])
        own = dict(zip(table["analysis"][primary], np.flatnonzero(primary), strict=True))
        verdicts[at] = _verdict(table, own, tests[at], alpha, catalogue) if shown[at] else NOT_COMPARED
    return table.assign(
        p_fisher=[each.fisher if each else np.nan for each in tests],
        p_exact=[each.exact if each else np.nan for each in tests],
        p_method=pd.Series([each.name if each else None for each in tests], dtype="str"),
        verdict=pd.Series(verdicts, dtype="str"),
    )


def _each(table: pd.DataFrame, chosen: np.ndarray) -> Iterator[tuple[list[int], bool]]:
    """The counts of each row's arms, and whether it is one of the chosen."""
    counted = table[["events_a", "cases_a", "events_b", "cases_b"]].to_numpy(dtype=np.int64)
    return zip(counted.tolist(), chosen.tolist(), strict=True)


def _tests(counted: list[int]) -> Tests:
    events_a, cases_a, events_b, cases_b = counted
    return tests_of(events_a, cases_a, events_b, cases_b)


def _verdict(
    table: pd.DataFrame, own: dict[str, int], tests: Tests | None, alpha: float, catalogue: Catalogue
) -> str:
    """The sentence for the primary comparison, whose rows stand at `own` by analysis."""
    all_cases, followed = (_difference(table, own[analysis]) for analysis in ("all_cases", "followed"))
    if all_cases is None or tests is None:
        return NO_CASES
    cases = table["cases_a"].to_numpy() + table["cases_b"].to_numpy()
    lost = int(cases[own["all_cases"]] - cases[own["followed"]])
    a, b = (_name(str(table[arm].iloc[own["all_cases"]]), catalogue) for arm in ("arm_a", "arm_b"))
    return verdict_of(a, b, all_cases, followed, lost, tests.exact, alpha)


def _difference(table: pd.DataFrame, at: int) -> Difference | None:
    low, high = (float(table[limit].to_numpy()[at]) for limit in ("rd_ci_low", "rd_ci_high"))
    return None if np.isnan(low) else Difference(low, high)


def _name(key: str, catalogue: Catalogue) -> str:
    """As it stands within a sentence; a name that begins with an abbreviation keeps it."""
    entry = catalogue.procedures.get(key)
    name = entry.name if entry else key.replace("_", " ")
    return name if name[1:2].isupper() else name[:1].lower() + name[1:]
