"""Surgeons' rows the whole way: cases counted, risk worked out, laid back on each one's cases, and said in words."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import pytest

from pipeline.count import counted, risk_histogram
from pipeline.engine import HERE
from pipeline.estimate import expected_risk, risk_models_table, spreads, surgeon_outcomes_table
from pipeline.estimate.notes import EXPECTED_BY_RATES, ONLY_SURGEON, TOO_FEW
from pipeline.expecting import tables_by_risk
from pipeline.lookup import Lookup
from pipeline.part_work import Rules
from pipeline.publish.tables import ready
from schemas.published import PUBLISHED
from tests.count.conftest import ANY, CATALOGUE, CRACK, LABELS, SETTINGS, Month, built_cases

YOUNG, OLD = 0, 2
PERIOD = Month(date(2020, 1, 1), date(2020, 1, 31))
YEAR = ("any_complication", 365)


def courses(surgeon: int, age_band: int, cases: int, **more: int) -> list[dict]:
    return [{"surgeon": surgeon, "age_band": age_band, **more} for _ in range(cases)]


def tables(rows: list[dict], ill: list[int] = ()) -> dict[str, pd.DataFrame]:
    cases = built_cases(rows, [(case, CRACK, 0, 10) for case in ill])
    counts = counted(cases, SETTINGS, CATALOGUE, PERIOD)
    rules = Rules(Lookup(CATALOGUE), SETTINGS, CATALOGUE, PERIOD, LABELS, np.zeros(0, dtype=np.int64))
    return tables_by_risk(HERE, rules, [cases], counts)()


def of_year(found: dict[str, pd.DataFrame]) -> pd.DataFrame:
    table = found["surgeon_outcomes"]
    here = (table["category"] == YEAR[0]) & (table["window_days"] == YEAR[1])
    return table[here].set_index("surgeon")


@pytest.fixture(scope="module")
def unlike() -> dict[str, pd.DataFrame]:
    """4 of 20 young, 4 of 20 old, and a third surgeon with 2 of 40 young and 20 of 40 old."""
    rows = courses(0, YOUNG, 20) + courses(1, OLD, 20) + courses(2, YOUNG, 40) + courses(2, OLD, 40)
    return tables(rows, [*range(4), *range(20, 24), *range(40, 42), *range(80, 100)])


def test_equal_crude_rates_and_different_ages_give_different_ratios(unlike):
    """6 of 60 young and 24 of 60 old had an event: 2 and 8 expected, 4 seen."""
    rows = of_year(unlike)
    assert rows.loc["harbour/1", "expected"] == pytest.approx(2)
    assert rows.loc["harbour/2", "expected"] == pytest.approx(8)
    assert rows.loc["harbour/1", "ratio"] == pytest.approx(2)
    assert rows.loc["harbour/2", "ratio"] == pytest.approx(0.5)
    assert (rows.loc[["harbour/1", "harbour/2"], "events"] == 4).all()


def test_limits_are_shares_of_the_surgeons_own_cases(unlike):
    """Binomial of 20 with 0.1: P(X <= 5) = 0.9887 is the first above 0.975, P(X <= 0) = 0.12 above 0.025."""
    row = of_year(unlike).loc["harbour/1"]
    assert (row["limit_95_low"], row["limit_95_high"]) == (0, 0.25)
    assert row["against_limits"] == "inside"


def test_the_sentence_names_counts_expectation_and_chance(unlike):
    """1 - P(X <= 3) of the binomial of 20 with 0.1 is 0.133; Wilson of 4 of 20 is 8.1 to 41.6 %."""
    assert of_year(unlike).loc["harbour/1", "in_words"] == (
        "4 of 20 cases (Wilson 8.1–41.6 %); 2.00 expected of such patients; chance alone gives 4 or more in about 13 of "
        "100. This shows neither a problem nor that there is none."
    )


def test_the_model_says_what_it_is(unlike):
    models = unlike["risk_models"].set_index(["category", "window_days"])
    row = models.loc[YEAR]
    assert (row["cases"], row["events"], row["coefficients"]) == (120, 30, 1)
    assert row["method"] == "logistic regression"
    assert row["calibration_slope"] == pytest.approx(1, abs=0.01)
    assert row["lacking"] == 120  # whether there was an operation before is known of nobody here
    assert models.loc[("return", 365), "method"] == "smoothed rates"
    assert models.loc[("return", 365), "why"] == "fewer than 10 events"


def test_nine_cases_are_counts_only():
    rows = of_year(tables(courses(0, YOUNG, 9) + courses(1, YOUNG, 30), [0, 10, 11]))
    few = rows.loc["harbour/1"]
    assert (few["cases"], few["events"], few["against_limits"], few["note"]) == (9, 1, "too_few", TOO_FEW)
    shown = few.drop(
        [
            "category", "window_days", "cases", "events", "against_limits", "note", "in_words", "without_own_cases",
        ]
    )  # fmt: skip
    assert few["without_own_cases"] == "too_few"
    assert shown.isna().all()
    assert "counts only" in few["in_words"]


def test_ten_cases_have_figures():
    rows = of_year(tables(courses(0, YOUNG, 10) + courses(1, YOUNG, 30), [0]))
    assert not np.isnan(rows.loc["harbour/1", ["expected", "ratio", "followed_share"]].astype(float)).any()


def test_cases_without_a_surgeon_are_a_row_that_is_no_surgeon():
    rows = of_year(tables(courses(-1, YOUNG, 20) + courses(0, YOUNG, 20), [0, 21, 22]))
    apart = rows.loc["unattributed"]
    assert apart["cases"] == 20
    assert not np.isnan(apart["expected"])
    assert np.isnan([apart["q_value"], apart["steadied_ratio"]]).all()
    assert rows.loc["harbour/1", "note"].startswith(ONLY_SURGEON)


def spread_of(events: list[int], cases: int = 20) -> object:
    """Surgeons with as many cases each, all at a risk of 20 %."""
    rows = {"surgeon": range(len(events)), "category": ANY, "window_days": 365, "risk": 2000, "cases": cases}
    return spreads(pd.DataFrame(rows).assign(events=events))[ANY, 365]


def test_spread_beyond_chance_by_hand():
    """4 of 20 expected, variance 3.2 each. Five with 2 and five with 6 events: every distance is 2 / √3.2, φ = 1.25, so
    τ² = (10 · 1.25 - 9) / (9 / v) with v = 3.2 / 16 = 0.2."""
    found = spread_of([2, 6] * 5)
    assert found.surgeons == 10
    assert found.beyond_chance.phi == pytest.approx(1.25)
    assert found.beyond_chance.phi_winsorised == pytest.approx(1.25)
    assert found.beyond_chance.tau_squared == pytest.approx(3.5 * 0.2 / 9)


def test_nine_surgeons_have_no_spread_nor_those_with_nine_cases():
    assert np.isnan(spread_of([2, 6, 2, 6, 2, 6, 2, 6, 2]).beyond_chance.phi)
    with pytest.raises(KeyError):
        spread_of([2] * 12, cases=9)


def test_followed_goes_by_the_surgeons_own_events():
    """Of 20 not seen after day 5 three have an event on day 10; nobody else is followed."""
    rows = of_year(tables(courses(0, YOUNG, 20, contact_until=5), [0, 1, 2]))
    assert rows.loc["harbour/1", "followed_share"] == pytest.approx(3 / 20)
    assert np.isnan(rows.loc["harbour/1", "assessed_share"])  # nothing is measured in the case-wide category


def test_no_events_at_all():
    row = of_year(tables(courses(0, YOUNG, 40))).loc["harbour/1"]
    assert (row["events"], row["ratio"], row["against_limits"]) == (0, 0, "inside")
    assert 0 < row["expected"] < 1
    assert EXPECTED_BY_RATES in row["note"]


ODD = {
    "nobody": ([], []),
    "one case": (courses(0, YOUNG, 1), [0]),
    "one surgeon": (courses(0, YOUNG, 30), [1, 2]),
    "no events": (courses(0, YOUNG, 30) + courses(1, OLD, 12), []),
    "all events": (courses(0, YOUNG, 30) + courses(1, OLD, 12), list(range(42))),
    "ages unknown": (courses(0, -1, 30) + courses(1, -1, 30, sex=-1, asa_class=-1), [*range(12), 40]),
    "young never, old always": (courses(0, YOUNG, 30) + courses(1, OLD, 30), list(range(30, 60))),
    "without a surgeon": (courses(-1, YOUNG, 30), [3]),
    "too early": (courses(0, YOUNG, 30, known_until=18_010), [1]),
}


@pytest.mark.parametrize("name", ODD)
def test_whatever_comes_fits_its_description_and_holds_nothing_infinite(name):
    found = tables(*ODD[name])
    for table, frame in found.items():
        written = ready(frame, PUBLISHED[table])
        assert len(written) == len(frame)
        numbers = frame.select_dtypes("number").to_numpy(dtype=float)
        assert not np.isinf(numbers).any()
        text = " ".join(
            str(cell) for column in ("note", "in_words") if column in frame for cell in frame[column]
        )
        assert not {"nan", "inf"} & set(text.replace("(", " ").split())
    enough = found["surgeon_outcomes"]["cases"] >= 10
    assert found["surgeon_outcomes"].loc[enough, "expected"].gt(0).all()


def test_without_closed_cases_there_are_no_rows():
    assert [len(frame) for frame in tables(*ODD["too early"]).values()] == [0, 0, 0, 0]


def test_expected_adds_up_to_what_was_seen_over_all_rows(unlike):
    rows = of_year(unlike)
    assert rows["expected"].sum() == pytest.approx(rows["events"].sum(), abs=0.05)


def test_what_is_handed_on_names_the_same_outcomes(unlike):
    cases = built_cases(courses(0, YOUNG, 12))
    counts = counted(cases, SETTINGS, CATALOGUE, PERIOD)
    expected = expected_risk(counts, 0.95)
    histogram = risk_histogram(cases, SETTINGS, CATALOGUE, expected.risks)
    table = surgeon_outcomes_table(histogram, expected, SETTINGS, LABELS, CATALOGUE)
    models = risk_models_table(expected, {}, LABELS)
    pairs = [set(zip(each["category"], each["window_days"], strict=True)) for each in (table, models)]
    assert pairs[0] == pairs[1]
    assert (LABELS.categories[ANY], 90) in pairs[0]
