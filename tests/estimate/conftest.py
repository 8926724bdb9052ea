"""Counts by hand: what count would hand over, without any case."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from hypothesis import settings as hypothesis_settings

from pipeline.catalogue import Catalogue, Complication, Level, Measured
from pipeline.counts import (
    ACTIVITY,
    COVARIATES,
    STATISTICS,
    WAYS,
    Benefit,
    Cells,
    Counts,
    Ends,
    Outcomes,
    summed,
)
from pipeline.handover import Labels
from pipeline.settings import Primary, Settings, SurgeonTables

# the first call imports statsmodels, which takes seconds
hypothesis_settings.register_profile("estimate", deadline=None, derandomize=True)
hypothesis_settings.load_profile("estimate")

LABELS = Labels(
    sites=("harbour", "meadow"),
    groups=("anchor_loop", "bone_shift", "anchor_loop+bone_shift"),
    surgeons=("harbour/1", "harbour/2"),
    fixations=("peg", "peg;wire"),
    age_bands=("0-24", "25+"),
    categories=("crack", "tightness", "any_complication"),
    levels=(("any",), ("lasting", "once"), ("any",)),
    among=("young",),
    by={"fixation": ("peg", "wire")},
    measures=("bending", "points"),
)
CATALOGUE = Catalogue(
    procedures={},
    complications={
        "crack": Complication("crack", "Crack", levels=(Level("any"),), needs_hole=True),
        "tightness": Complication(
            "tightness", "Tightness", seen_in="visit", first_day=90, main_level="lasting",
            levels=(Level("lasting"), Level("once")), measured=(Measured("knee", "flexion"),),
        ),
    },
    joints={},
)  # fmt: skip
SETTINGS = Settings(
    surgeon_tables=SurgeonTables(("any_complication",), (365,)),
    primary=Primary("anchor_loop", "bone_shift", "any_complication", 365),
)
CRACK, TIGHTNESS, ANY = range(3)
OUTCOMES = Outcomes(
    np.array([CRACK, CRACK, TIGHTNESS, TIGHTNESS, TIGHTNESS, TIGHTNESS, ANY, ANY]),
    np.array([0, 0, 0, 0, 1, 1, 0, 0]),
    np.array([90, 365, 90, 365, 90, 365, 90, 365]),
)
FEW = Outcomes(np.array([ANY]), np.array([0]), np.array([365]))
KEYS = {
    "site": 0,
    "group": 0,
    "fixation": 0,
    "age_band": 0,
    "isolated": 1,
    "among:young": 1,
    "by:fixation": 0,
}


#: 2026-10, as months are counted.
OCTOBER = 2026 * 12 + 9


def _cells(rows: list[dict], keys: dict[str, int], outcomes: int) -> Cells:
    frame = pd.DataFrame([{name: row.get(name, default) for name, default in keys.items()} for row in rows])
    frame = frame.reindex(columns=list(keys)).astype("int64")
    counts = {}
    for name in STATISTICS:
        usual = {"followed": "cases", "person_events": "events", "person_days": "cases"}.get(name, "")
        per_row = [row.get(name, row.get(usual, 0)) for row in rows]
        counts[name] = np.repeat(np.array(per_row, np.int64)[:, None], outcomes, axis=1)
    return summed(frame, counts)


def ends_of(
    leaving: list[dict], moved: list[dict], keys: tuple[str, ...] = ("site", "group", "fixation", "age_band")
) -> Ends:
    """Rows of (cell keys, default 0) way, day, competing, censored; and category, level, day, event, ..."""
    return Ends(
        _rows_of(leaving, (*keys, "way", "day"), ("competing", "censored")),
        _rows_of(moved, (*keys, "category", "level", "day"), ("event", "competing", "censored")),
    )


def _rows_of(rows: list[dict], keys: tuple[str, ...], statistics: tuple[str, ...]) -> Cells:
    names = [*keys, *statistics]
    frame = pd.DataFrame([{name: row.get(name, 0) for name in names} for row in rows], columns=names)
    frame = frame.astype("int64")
    return summed(frame[list(keys)], {name: frame[name].to_numpy() for name in statistics})


def _all_watched(rows: list[dict], keys: tuple[str, ...]) -> Ends:
    """All cases observed to day 730 in both ways, nobody with an event."""
    leaving = [
        {"period": OCTOBER} | row | {"way": way, "day": 730, "censored": row.get("cases", 0)}
        for row in rows for way in range(len(WAYS))
    ]  # fmt: skip
    return ends_of(leaving, [], keys)


def built_counts(rows: list[dict], defined: np.ndarray | None = None) -> Counts:
    """Counts of the given cells; every outcome of a cell has the same statistics, all followed and in person-time unless said."""
    everywhere = np.ones((len(LABELS.groups), len(LABELS.categories)), np.int8)
    cells = _cells(rows, KEYS, len(OUTCOMES))
    surgeons = _cells(rows, {"surgeon": 0, "group": 0}, len(FEW))
    activity = Cells(
        pd.DataFrame({"site": [0], "group": [0]}), {name: np.array([2], np.int64) for name in ACTIVITY}
    )
    risk = _cells(rows, dict.fromkeys(COVARIATES, 0), len(FEW))
    risk_cells = Cells(risk.keys, {name: risk[name] for name in ("cases", "events")})
    severity, returns = cells_of({"group": [], "category": [], "grade": []}, "cases"), returns_of([])
    baseline = cells_of({"arm": [], "characteristic": [], "value": []}, "cases")
    state = everywhere if defined is None else defined
    main = Outcomes(
        *(part[OUTCOMES.level == 0] for part in (OUTCOMES.category, OUTCOMES.level, OUTCOMES.window_days))
    )
    return Counts(
        outcomes=OUTCOMES, surgeon_outcomes=FEW, defined=state, cells=cells, surgeons=surgeons, risk_cells=risk_cells,
        activity=activity, severity=severity, returns=returns, cohort_outcomes=main,
        baseline=baseline, benefit=benefit_of(), arm_ends=_all_watched([], ("arm", "age_band")),
        ends=_all_watched(rows, ("site", "group", "fixation", "age_band")),
        surgeon_ends=_all_watched(rows, ("surgeon", "group")),
        cohorts=_cells(rows, {"period": OCTOBER, "group": 0}, len(main)),
        cohort_ends=_all_watched(rows, ("period", "group")),
    )  # fmt: skip


#: Keys and statistics of each part of `Benefit`.
BESIDE = {
    "volumes": (("period", "group", "age_band", "site"), ("cases",)),
    "care": (("group",), ("elective", "recorded", "reached")),
    "sport": (("group", "sport_level", "among:young"), ("cases", "asked", "any_return", "same_or_higher")),
    "sport_days": (("group", "sport_level", "among:young", "day"), ("cases",)),
    "scores": (
        ("group", "measure"),
        ("before_n", "before_sum", "after_n", "after_sum", "paired_n", "change_sum", "change_squares"),
    ),
    "arms": (("comparison", "arm"), ("cases", "played", "asked", "any_return", "same_or_higher")),
    "arm_days": (("comparison", "arm", "day"), ("cases",)),
    "arm_reasons": (("comparison", "arm", "why"), ("cases",)),
    "arm_changes": (("comparison", "arm", "measure"), ("paired_n", "change_sum", "change_squares")),
}


def benefit_of(**rows: list[dict]) -> Benefit:
    """Rows by name of the part; what a row leaves out is 0."""
    return Benefit(**{name: _rows_of(rows.get(name, []), *BESIDE[name]) for name in BESIDE})


def cells_of(keys: dict[str, list[int]], name: str, counts: tuple[int, ...] = ()) -> Cells:
    return Cells(pd.DataFrame(keys).astype("int64"), {name: np.array(counts, np.int64)})


def returns_of(rows: list[tuple[int, ...]]) -> Cells:
    """Rows of (first, to, reason, planned, day, count)."""
    names = ["first", "to", "reason", "planned", "day", "count"]
    frame = pd.DataFrame(rows, columns=names).astype("int64")
    return Cells(frame[names[:-1]], {"count": frame["count"].to_numpy()})


@pytest.fixture(scope="session")
def leaving_of() -> Callable[..., Ends]:
    return ends_of


@pytest.fixture(scope="session")
def counts_of() -> Callable[..., Counts]:
    return built_counts


@pytest.fixture(scope="session")
def labels() -> Labels:
    return LABELS


@pytest.fixture(scope="session")
def catalogue() -> Catalogue:
    return CATALOGUE


@pytest.fixture(scope="session")
def settings() -> Settings:
    return SETTINGS
