"""The published `rates`: counts of one stratum and procedure with what they say."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.catalogue import Catalogue
from pipeline.counts import Cells, Counts, Ends, Outcomes
from pipeline.estimate import notes
from pipeline.estimate.course import ALL, courses_of, incidences
from pipeline.estimate.curve_readings import Reading
from pipeline.estimate.kinds import MIXED, NEW, RECURRENCE, kinds_of, together
from pipeline.estimate.person_time import rate_per_100_years
from pipeline.estimate.proportions import proportion_interval, share_of
from pipeline.handover import Labels
from pipeline.periods import numbered_period
from pipeline.settings import Settings

FEWEST_OF_A_SURGEON = 10
FOLLOWED_TOO_FEW = 1.25  # rate_followed above this many times the rate
ROUNDING = 1e-9
CELL_STRATA = ("site", "fixation", "age_band")
PERIOD = "period"
MISSING = {"surgeon": "unattributed"}


@dataclass(frozen=True)
class Ground:
    """What the figures of every stratum are made under."""

    defined: np.ndarray
    settings: Settings
    labels: Labels
    catalogue: Catalogue


@dataclass(frozen=True)
class _Block:
    """Counts of one stratum: `keys` (stratum, stratum_value, group; group -1 is all), statistics [row, outcome]."""

    stratum: str
    values: np.ndarray
    group: np.ndarray
    statistics: dict[str, np.ndarray]
    state: np.ndarray  # int8 [row, outcome]: 1 can occur, 0 cannot, -1 not defined for the joint
    partly: np.ndarray  # bool [row, outcome]: operations where it cannot occur are left out
    kind: np.ndarray  # int8 [row, outcome]: recurrence, new, both or neither
    outcomes: Outcomes
    incidence: Reading  # [row, outcome]


@dataclass(frozen=True)
class _Standing:
    """What each row may say, arrays by row: `state` as in `_Block`, -2 (window too early) or -3 (never pooled).

    `kind` as in `_Block`, the rest bool.
    """

    state: np.ndarray
    measured: np.ndarray
    few: np.ndarray
    partly: np.ndarray
    kind: np.ndarray

    @property
    def counts(self) -> np.ndarray:
        """Its counts mean something."""
        return np.asarray(self.state == 1)

    @property
    def estimates(self) -> np.ndarray:
        """Estimates may be made of them."""
        return self.counts & ~self.few


def rates_table(counts: Counts, settings: Settings, labels: Labels, catalogue: Catalogue) -> pd.DataFrame:
    """Every stratum asked for, each procedure and all together, each category, level and window with closed cases."""
    ground = Ground(counts.defined, settings, labels, catalogue)
    every = (counts.cells, counts.ends, counts.outcomes)
    frames = [stratum_rates(*every, "none", ground)]
    frames += [stratum_rates(*every, name, ground) for name in CELL_STRATA if name in settings.strata]
    if "surgeon" in settings.strata:
        few = (counts.surgeons, counts.surgeon_ends, counts.surgeon_outcomes)
        frames.append(stratum_rates(*few, "surgeon", ground))
    return pd.concat(frames, ignore_index=True)


def stratum_rates(cells: Cells, ends: Ends, outcomes: Outcomes, stratum: str, ground: Ground) -> pd.DataFrame:
    """Rows of one stratum, a key of the cells, or `none`: those with a closed case, in the order of the keys."""
    return _rows(_block(cells, ends, outcomes, stratum, ground), ground)


def _block(cells: Cells, ends: Ends, outcomes: Outcomes, stratum: str, ground: Ground) -> _Block:
    key = [] if stratum == "none" else [stratum]
    single = cells.by(*key, "group")
    state = ground.defined[single.keys["group"].to_numpy()][:, outcomes.category]
    whole = _together(single, state, key)
    kinds = kinds_of(ground.labels, ground.catalogue)
    kind = kinds[single.keys["group"].to_numpy()][:, outcomes.category]
    part = np.searchsorted(_values(whole.keys, key), _values(single.keys, key))
    both = together(kind, (state == 1) & (single["cases"] > 0), part)
    values = np.append(_values(single.keys, key), _values(whole.keys, key))
    group = np.append(single.keys["group"].to_numpy(), np.full(len(whole.keys), ALL))
    statistics = {name: np.concatenate([single[name], whole[name]]) for name in single.statistics}
    return _Block(
        stratum,
        values,
        group,
        statistics,
        np.concatenate([state, _best(single, state, whole, key)]),
        np.concatenate([np.zeros(state.shape, dtype=bool), _left_out(single, state, whole, key)]),
        np.concatenate([kind, both]),
        outcomes,
        _incidence(ends, outcomes, "".join(key), (values, group), ground),
    )


def _incidence(
    ends: Ends, outcomes: Outcomes, stratum: str, parts: tuple[np.ndarray, np.ndarray], ground: Ground
) -> Reading:
    named = (ground.labels, ground.catalogue)
    courses = courses_of(ends, stratum, parts, ground.defined, outcomes, *named)
    early = {window.days: window.early for window in ground.settings.windows}
    return incidences(courses, outcomes, early, ground.settings.confidence)


def _values(keys: pd.DataFrame, key: list[str]) -> np.ndarray:
    return keys[key[0]].to_numpy() if key else np.zeros(len(keys), dtype=np.int64)


def _together(single: Cells, state: np.ndarray, key: list[str]) -> Cells:
    """All procedures together, each outcome over those in which it can occur, else over all of them."""
    anywhere = _at_best(single, state, key) == 1
    own = {
        name: np.where((state == 1) | ~anywhere, counted, 0) for name, counted in single.statistics.items()
    }
    keys = single.keys[key] if key else single.keys[["group"]] * 0
    return Cells(keys.reset_index(drop=True), own).by(*keys.columns)


def _at_best(single: Cells, state: np.ndarray, key: list[str]) -> np.ndarray:
    """For each row the best state its stratum has in any procedure with cases."""
    stratum = _values(single.keys, key)
    present = np.where(single["cases"] > 0, state, -1)
    best = np.empty_like(state)
    for value in np.unique(stratum):
        best[stratum == value] = present[stratum == value].max(axis=0)
    return best


def _best(single: Cells, state: np.ndarray, whole: Cells, key: list[str]) -> np.ndarray:
    stratum = _values(single.keys, key)
    at_best = _at_best(single, state, key)
    first = [int(np.flatnonzero(stratum == value)[0]) for value in _values(whole.keys, key)]
    return at_best[first]


def _left_out(single: Cells, state: np.ndarray, whole: Cells, key: list[str]) -> np.ndarray:
    """bool [row of whole, outcome]: counts over some of the cases only."""
    keys = single.keys[key] if key else single.keys[["group"]] * 0
    every = Cells(keys.reset_index(drop=True), {"cases": single["cases"]}).by(*keys.columns)
    return np.asarray(whole["cases"] < every["cases"])


def _rows(block: _Block, ground: Ground) -> pd.DataFrame:
    labels, catalogue = ground.labels, ground.catalogue
    row, outcome = np.nonzero(block.statistics["cases"])
    category, level = block.outcomes.category[outcome], block.outcomes.level[outcome]
    window = block.outcomes.window_days[outcome]
    counted = {name: statistic[row, outcome] for name, statistic in block.statistics.items()}
    first_day = np.array([_first_day(catalogue, key) for key in labels.categories])[category]
    kind, state = block.kind[row, outcome], block.state[row, outcome]
    state = np.where((kind == MIXED) & (state == 1), -3, state)
    state = np.where((first_day > 0) & (window <= first_day), -2, state)
    measured = np.array([_is_measured(catalogue, key) for key in labels.categories])[category]
    few = (counted["cases"] < FEWEST_OF_A_SURGEON) & (block.stratum == "surgeon")
    standing = _Standing(state, measured, few, block.partly[row, outcome], kind)
    incidence = Reading(*(values[row, outcome] for values in block.incidence.each))
    keys = {
        "stratum": block.stratum,
        "stratum_value": _stratum_values(block, ground)[row],
        "procedure": np.array([*labels.groups, "all"], dtype=object)[block.group[row]],
        "category": np.array(labels.categories, dtype=object)[category],
        "level": np.array(
            [labels.levels[c][at] for c, at in zip(category, level, strict=True)], dtype=object
        ),
        "window_days": window,
    }
    return pd.DataFrame({**keys, **_figures(counted, incidence, standing, ground.settings)})


def _first_day(catalogue: Catalogue, key: str) -> int:
    entry = catalogue.complications.get(key)
    return entry.first_day if entry else 0


def _is_measured(catalogue: Catalogue, key: str) -> bool:
    entry = catalogue.complications.get(key)
    return bool(entry and entry.measured)


def _stratum_values(block: _Block, ground: Ground) -> np.ndarray:
    if block.stratum == "none":
        return np.full(len(block.values), "", dtype=object)
    if block.stratum == PERIOD:
        kind = ground.settings.period
        return np.array(
            [numbered_period(kind, number).name for number in block.values.tolist()], dtype=object
        )
    named = {"site": "sites", "surgeon": "surgeons", "fixation": "fixations", "age_band": "age_bands"}[
        block.stratum
    ]
    words = [*getattr(ground.labels, named), MISSING.get(block.stratum, "unknown")]
    return np.array(words, dtype=object)[block.values]


def _figures(
    counted: dict[str, np.ndarray], incidence: Reading, standing: _Standing, settings: Settings
) -> dict[str, object]:
    """Counts where they mean something, estimates where they may be made, and the note."""
    cases, followed, events = counted["cases"], counted["followed"], counted["events"]
    awaiting, lost = counted["awaiting"], cases - followed
    means, shown = standing.counts, standing.estimates
    interval = proportion_interval(events, cases, settings.interval, settings.confidence)
    of_followed = proportion_interval(events, followed, settings.interval, settings.confidence)
    days, placed = counted["person_days"], counted["person_events"]
    by_time = rate_per_100_years(np.where(days > 0, placed, 0), days, settings.confidence)
    rate, rate_followed = share_of(events, cases), share_of(events, followed)
    return {
        "cases": cases,
        "followed": _counts(followed, means),
        "lost": _counts(lost, means),
        "assessed": _counts(counted["assessed"], means & standing.measured),
        **{name: _counts(counted[name], means) for name in ("events", "deaths", "awaiting")},
        "rate": np.where(shown, rate, np.nan),
        "ci_low": np.where(shown, interval.low, np.nan),
        "ci_high": np.where(shown, interval.high, np.nan),
        "method": pd.Series([interval.method] * len(cases), dtype="str").where(shown),
        "rate_followed": np.where(shown, rate_followed, np.nan),
        "rf_ci_low": np.where(shown, of_followed.low, np.nan),
        "rf_ci_high": np.where(shown, of_followed.high, np.nan),
        "worst_case": np.where(shown, share_of(events + lost, cases), np.nan),
        "rate_with_awaiting": np.where(shown, share_of(events + awaiting, cases), np.nan),
        "incidence": np.where(shown, incidence.share, np.nan),
        "incidence_low": np.where(shown, incidence.low, np.nan),
        "incidence_high": np.where(shown, incidence.high, np.nan),
        "person_years": np.where(means, by_time.years, np.nan),
        "events_py": _counts(placed, means),
        "rate_per_100py": np.where(shown, by_time.rate, np.nan),
        "py_ci_low": np.where(shown, by_time.low, np.nan),
        "py_ci_high": np.where(shown, by_time.high, np.nan),
        "note": _notes(counted, np.isnan(incidence.share), standing, settings),
    }


def _counts(values: np.ndarray, shown: np.ndarray) -> pd.Series:
    return pd.Series(values, dtype="Int64").where(shown)


def _notes(
    counted: dict[str, np.ndarray], unwatched: np.ndarray, standing: _Standing, settings: Settings
) -> list[str | None]:
    cases = counted["cases"]
    timeless = (counted["person_events"] > 0) & (counted["person_days"] == 0)
    marks = (
        (standing.few, notes.TOO_FEW),
        (standing.kind == RECURRENCE, notes.RECURRENCE),
        (standing.kind == NEW, notes.NEW_HERE),
        (standing.partly, notes.ONLY_WHERE_IT_CAN),
        (notes.is_clustered(counted["paired"], cases), notes.CLUSTERED),
        (_uncertain(counted, settings) & ~standing.few, notes.READ_THE_RANGE),
        (standing.measured & (2 * counted["assessed"] < cases), notes.SELDOM_ASSESSED),
        ((counted["person_events"] < counted["events"]) & ~standing.few, notes.OUTSIDE_PERSON_TIME),
        (timeless & ~standing.few, notes.NO_PERSON_TIME),
        (unwatched & ~standing.few, notes.NOT_WATCHED),
    )
    told = [np.where(said, text, "").tolist() for said, text in marks]
    joined = [notes.together(*each) for each in zip(*told, strict=True)]
    instead = {
        0: notes.CANNOT_OCCUR,
        -1: notes.NOT_FOR_THIS_JOINT,
        -2: notes.NOT_DEFINED,
        -3: notes.NOT_POOLED,
    }
    return [instead.get(s, text) or None for s, text in zip(standing.state.tolist(), joined, strict=True)]


def _uncertain(counted: dict[str, np.ndarray], settings: Settings) -> np.ndarray:
    """bool: so many are lost, or they matter so much, that one figure would mislead."""
    cases, followed, events = (counted[name] for name in ("cases", "followed", "events"))
    many_lost = cases - followed > (1 - settings.tolerance.observed_share) * cases + ROUNDING
    # events / followed > 1.25 × events / cases, in whole numbers
    return np.asarray(many_lost | ((events > 0) & (cases > FOLLOWED_TOO_FEW * followed)))
