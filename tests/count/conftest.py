"""Small cases by hand: a course is a dict, a complication a tuple, all else has a default."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
import pytest

from pipeline.catalogue import Catalogue, Complication, Level, Measured
from pipeline.handover import COUNTED, LEFT, NEVER, STRENGTHS, Cases, Labels
from pipeline.settings import Settings, SurgeonTables

LABELS = Labels(
    sites=("harbour", "meadow"),
    groups=("anchor_loop", "bone_shift", "anchor_loop+bone_shift"),
    surgeons=("harbour/1", "harbour/2", "meadow/1"),
    fixations=("peg", "peg;wire"),
    age_bands=("0-24", "25-34", "35+"),
    categories=("crack", "tightness", "return", "any_complication"),
    levels=(("any", "mild"), ("lasting", "once"), ("every",), ("any",)),
    among=("young",),
    by={"fixation": ("peg", "peg;wire")},
)
CATALOGUE = Catalogue(
    procedures={},
    complications={
        "crack": Complication("crack", "Crack", levels=(Level("any"), Level("mild")), needs_hole=True),
        "tightness": Complication(
            "tightness", "Tightness", seen_in="visit", first_day=90, main_level="lasting",
            levels=(Level("lasting"), Level("once")), measured=(Measured("knee", "flexion"),),
        ),
        "return": Complication(
            "return", "Return", main_level="every", levels=(Level("every"),), implied_by=("unplanned_return",),
        ),
    },
    joints={},
)  # fmt: skip
SETTINGS = Settings(surgeon_tables=SurgeonTables(("any_complication", "return"), (90, 365)))
CRACK, TIGHTNESS, RETURN, ANY = range(4)

CASE = {
    "site": 0, "patient": None, "operation": 0, "performed": 18_000, "side": LEFT, "procedure": 0, "group": 0,
    "surgeon": 0, "fixation": 0, "age_band": 0, "age_years": 20, "sex": 0, "asa_class": 1, "prior_operation": -1,
    "smoker": 0, "diabetes": 0, "isolated": True, "known_until": 20_000, "contact_until": 2_000,
    "urgency": 0, "nonoperative_weeks": -1, "sport_level": -1, "records_until": 2_000,
    "died": int(NEVER), "among:young": True, "by:fixation": 0,
}  # fmt: skip


@dataclass(frozen=True)
class Month:
    first_day: date
    last_day: date


def built_cases(
    courses: list[dict],
    complications: list[tuple] = (),
    assessed: list[tuple[int, int]] = (),
    defined: np.ndarray | None = None,
    returns: list[tuple] = (),
    answers: list[tuple] = (),
    readings: list[tuple] = (),
) -> Cases:
    """Cases of the given courses; complications are (case, category, level, day[, status[, strength[, learned[, late]]]]).

    Returns are (case, first, to, reason, planned, day), answers (case, day, sport, returned[, why]), readings (case,
    day, measure, value).
    """
    rows = [CASE | {"case": number, "patient": number} | course for number, course in enumerate(courses)]
    evidence = [
        (*row, *(COUNTED, STRENGTHS.index("definite"), 18_500, True)[len(row) - 4 :]) for row in complications
    ]
    columns = ["case", "category", "level", "day", "status", "strength", "learned", "late"]
    listed = pd.DataFrame(evidence, columns=columns).assign(grade=-1)
    later = pd.DataFrame(list(returns), columns=["case", "first", "to", "reason", "planned", "day"])
    everywhere = np.ones((len(LABELS.groups), len(LABELS.categories)), np.int8)
    return Cases(
        LABELS,
        pd.DataFrame(rows, columns=["case", *CASE]),
        listed.astype("int64"),
        pd.DataFrame(list(assessed), columns=["case", "category"]).astype("int64"),
        everywhere if defined is None else defined,
        later.astype("int64"),
        pd.DataFrame(
            [(*row, -1)[:5] for row in answers], columns=["case", "day", "sport", "returned", "why"]
        ).astype("int64"),
        pd.DataFrame(list(readings), columns=["case", "day", "measure", "value"]).astype(
            {"case": "int64", "day": "int64", "measure": "int64", "value": float}
        ),
    )


@pytest.fixture
def cases_of() -> Callable[..., Cases]:
    return built_cases


@pytest.fixture
def catalogue() -> Catalogue:
    return CATALOGUE


@pytest.fixture
def settings() -> Settings:
    return SETTINGS


@pytest.fixture
def period() -> Month:
    """Days 18,262 to 18,292 since 1970."""
    return Month(date(2020, 1, 1), date(2020, 1, 31))
