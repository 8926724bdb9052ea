"""The published rates, from counts typed in by hand."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from pipeline.catalogue import Procedure
from pipeline.estimate import notes, rates_table
from pipeline.settings import Tolerance
from schemas.fit import typed
from schemas.models import model_failures
from schemas.published import RATES

ESTIMATES = ["rate", "ci_low", "ci_high", "rate_followed", "rf_ci_low", "rf_ci_high", "worst_case",
             "rate_with_awaiting", "rate_per_100py", "py_ci_low", "py_ci_high"]  # fmt: skip


@pytest.fixture
def table(counts_of, settings, labels, catalogue):
    def of(rows, defined=None, **changed):
        return rates_table(counts_of(rows, defined), replace(settings, **changed), labels, catalogue)

    return of


def the_row(
    frame, procedure="anchor_loop", category="crack", window=365, level=None, stratum="none", value=""
):
    chosen = frame[
        (frame["procedure"] == procedure) & (frame["category"] == category) & (frame["window_days"] == window)
        & (frame["stratum"] == stratum) & (frame["stratum_value"] == value)
    ]  # fmt: skip
    if level:
        chosen = chosen[chosen["level"] == level]
    assert len(chosen) == 1
    return chosen.iloc[0]


def test_two_of_twenty_with_six_lost(table):
    """The example of the project design notes: 0.10, 0.143, 0.40."""
    row = the_row(table([{"cases": 20, "events": 2, "followed": 14}]))
    assert (row["cases"], row["followed"], row["lost"], row["events"]) == (20, 14, 6, 2)
    assert row["rate"] == pytest.approx(0.10)
    assert round(row["rate_followed"], 3) == 0.143
    assert row["worst_case"] == pytest.approx(0.40)
    assert notes.READ_THE_RANGE in row["note"]
    assert row["method"] == "wilson"


@pytest.mark.parametrize("stratum", ["none", "site", "surgeon", "fixation", "age_band"])
def test_strata_pool_to_the_whole(table, stratum):
    rows = [
        {"site": site, "group": group, "surgeon": surgeon, "fixation": fixation, "age_band": band, "cases": 30,
         "events": 1 + site + group, "followed": 20 + band, "awaiting": 1, "person_days": 500}
        for site in (0, 1) for group in (0, 1) for surgeon in (-1, 1) for fixation in (-1, 1) for band in (-1, 0)
    ]  # fmt: skip
    frame = table(rows)
    summed = ["cases", "followed", "lost", "events", "awaiting"]
    for procedure in ("anchor_loop", "bone_shift", "all"):
        here = frame[(frame["procedure"] == procedure) & (frame["category"] == "any_complication")]
        here = here[here["window_days"] == 365]
        whole, parts = here[here["stratum"] == "none"], here[here["stratum"] == stratum]
        assert len(parts) == (1 if stratum == "none" else 2)
        np.testing.assert_array_equal(parts[summed].sum(), whole[summed].sum())
        assert parts["person_years"].sum() == pytest.approx(whole["person_years"].sum())


def test_missing_parts_have_a_name(table):
    frame = table([{"cases": 12, "surgeon": -1, "fixation": -1, "age_band": -1}])
    found = {(row.stratum, row.stratum_value) for row in frame.itertuples()}
    assert {("surgeon", "unattributed"), ("fixation", "unknown"), ("age_band", "unknown")} <= found


def test_surgeons_below_ten_cases_have_counts_only(table):
    frame = table([{"cases": 9, "events": 2, "surgeon": 0}, {"cases": 10, "events": 2, "surgeon": 1}])
    own = frame[(frame["stratum"] == "surgeon") & (frame["procedure"] == "anchor_loop")].set_index(
        "stratum_value"
    )
    few, enough = own.loc["harbour/1"], own.loc["harbour/2"]
    assert (few["cases"], few["events"]) == (9, 2)
    assert few[ESTIMATES].isna().all()
    assert notes.TOO_FEW in few["note"]
    assert enough["rate"] == pytest.approx(0.2)


def test_surgeons_only_where_the_settings_show_them(table):
    frame = table([{"cases": 30}])
    shown = frame[frame["stratum"] == "surgeon"]
    assert set(zip(shown["category"], shown["window_days"], strict=True)) == {("any_complication", 365)}
    assert "surgeon" not in set(table([{"cases": 30}], strata=("site",))["stratum"])


def test_rows_without_a_closed_case_are_not_written(table):
    frame = table([{"cases": 0}, {"cases": 3, "group": 1}])
    assert "anchor_loop" not in set(frame["procedure"])
    assert len(table([])) == 0
    assert list(table([]).columns) == list(RATES.names)


def test_what_cannot_occur_has_cases_and_no_figures(table):
    defined = np.ones((3, 3), np.int8)
    defined[0, 0] = 0
    defined[1, 0] = -1
    frame = table([{"cases": 20, "events": 2}, {"cases": 7, "events": 1, "group": 1}], defined)
    for procedure, cases, said in (
        ("anchor_loop", 20, notes.CANNOT_OCCUR),
        ("bone_shift", 7, notes.NOT_FOR_THIS_JOINT),
    ):
        row = the_row(frame, procedure)
        assert (row["cases"], row["note"]) == (cases, said)
        assert row[["events", "followed", "lost", "awaiting", *ESTIMATES]].isna().all()
    together = the_row(frame, "all")
    assert (together["cases"], together["note"]) == (27, notes.CANNOT_OCCUR)


def test_all_leaves_out_operations_where_it_cannot_occur_and_says_so(table):
    defined = np.ones((3, 3), np.int8)
    defined[0, 0] = 0
    frame = table([{"cases": 20, "events": 2}, {"cases": 50, "events": 5, "group": 1}], defined)
    row = the_row(frame, "all")
    assert (row["cases"], row["events"]) == (50, 5)
    assert notes.ONLY_WHERE_IT_CAN in row["note"]
    assert pd.isna(the_row(frame, "all", "any_complication")["note"])


def test_a_window_before_the_category_begins_is_not_defined(table):
    frame = table([{"cases": 20, "events": 2}])
    row = the_row(frame, category="tightness", window=90, level="lasting")
    assert (row["cases"], row["note"]) == (20, notes.NOT_DEFINED)
    assert row[["events", *ESTIMATES]].isna().all()
    assert the_row(frame, category="tightness", level="once")["rate"] == pytest.approx(0.1)


@pytest.mark.parametrize(("paired", "clustered"), [(5, False), (6, True)])
def test_more_than_five_percent_of_pairs_is_clustered(table, paired, clustered):
    row = the_row(table([{"cases": 100, "events": 10, "paired": paired}]))
    assert (notes.CLUSTERED in str(row["note"])) is clustered


@pytest.mark.parametrize(
    ("followed", "events", "said"),
    [(80, 20, False), (79, 0, True), (80, 0, False), (100, 10, False)],
    ids=["exactly a fifth lost, exactly 1.25 times", "more than a fifth lost", "a fifth lost", "none lost"],
)
def test_when_to_read_the_range(table, followed, events, said):
    row = the_row(table([{"cases": 100, "followed": followed, "events": events}]))
    assert (notes.READ_THE_RANGE in str(row["note"])) is said


def test_the_share_observed_is_a_setting(table):
    rows = [{"cases": 100, "followed": 94, "events": 5}]
    assert pd.isna(the_row(table(rows))["note"])
    strict = table(rows, tolerance=Tolerance(observed_share=0.95))
    assert notes.READ_THE_RANGE in the_row(strict)["note"]


@pytest.mark.parametrize(("assessed", "said"), [(9, True), (10, False)])
def test_fewer_than_half_assessed_is_said_where_a_category_is_measured(table, assessed, said):
    frame = table([{"cases": 20, "events": 2, "assessed": assessed}])
    row = the_row(frame, category="tightness", level="lasting")
    assert row["assessed"] == assessed
    assert (notes.SELDOM_ASSESSED in str(row["note"])) is said
    assert pd.isna(the_row(frame)["assessed"])


def test_person_time(table):
    """Garwood's limits of 3 per 412.5 years are 0.00149981 and 0.02125400 (check values, R and statsmodels)."""
    days = round(412.5 * 365.25)
    row = the_row(table([{"cases": 500, "events": 3, "person_days": days, "person_events": 3}]))
    assert row["person_years"] == pytest.approx(412.5, rel=1e-5)
    assert row["rate_per_100py"] == pytest.approx(300 / 412.5, rel=1e-5)
    assert (row["py_ci_low"], row["py_ci_high"]) == pytest.approx((0.149981, 2.125400), rel=1e-4)
    assert pd.isna(row["note"])


def test_events_outside_person_time_are_told(table):
    row = the_row(table([{"cases": 500, "events": 3, "person_days": 10_000, "person_events": 2}]))
    assert notes.OUTSIDE_PERSON_TIME in row["note"]


def test_no_person_time_no_rate_over_it(table):
    row = the_row(table([{"cases": 20, "events": 1, "person_days": 0}]))
    assert row[["rate_per_100py", "py_ci_low", "py_ci_high"]].isna().all()


def test_the_interval_of_the_settings_is_used(table):
    """Clopper and Pearson for 0 of 20: 0 to 0.168433470983085 (Newcombe 1998, Table I)."""
    row = the_row(table([{"cases": 20}], interval="clopper-pearson"))
    assert (row["ci_low"], row["ci_high"]) == (0.0, pytest.approx(0.168433470983085, abs=1e-9))
    assert row["method"] == "clopper-pearson"


numbers = st.integers(0, 60).flatmap(
    lambda cases: st.integers(0, cases).flatmap(
        lambda followed: st.integers(0, followed).flatmap(
            lambda events: st.fixed_dictionaries(
                {
                    "cases": st.just(cases), "followed": st.just(followed), "events": st.just(events),
                    "awaiting": st.integers(0, cases - events), "person_days": st.integers(0, 40_000),
                    "group": st.integers(0, 2), "site": st.integers(0, 1), "age_band": st.integers(-1, 1),
                    "surgeon": st.integers(-1, 1), "paired": st.integers(0, cases),
                }
            )
        )
    )
)  # fmt: skip


@given(st.lists(numbers, max_size=6))
@examples(max_examples=30)
def test_every_row_keeps_its_order_of_magnitude_and_its_schema(counts_of, settings, labels, catalogue, rows):
    frame = rates_table(counts_of(rows), settings, labels, catalogue)
    assert len(model_failures(RATES, typed(RATES, frame))) == 0
    known = frame[frame["rate"].notna()]
    assert (known["cases"] == known["followed"] + known["lost"]).all()
    assert (known["ci_low"] <= known["rate"]).all()
    assert (known["rate"] <= known["ci_high"]).all()
    followed = known[known["rate_followed"].notna()]
    assert (followed["rate"] <= followed["rate_followed"] + 1e-12).all()
    assert (followed["rate_followed"] <= followed["worst_case"] + 1e-12).all()
    assert (known["rate"] <= known["rate_with_awaiting"]).all()


@pytest.fixture
def told_apart(catalogue):
    """A crack is a recurrence after an operation for slack."""
    return replace(
        catalogue,
        procedures={
            "anchor_loop": Procedure("anchor_loop", "Loop", concerns="slack"),
            "bone_shift": Procedure("bone_shift", "Shift", concerns="wear"),
        },
        complications=catalogue.complications
        | {"crack": replace(catalogue.complications["crack"], recurrence_of=("slack",))},
    )


def test_a_recurrence_and_a_new_complication_are_named_and_never_pooled(
    counts_of, settings, labels, told_apart
):
    rows = [{"group": 0, "cases": 30, "events": 3}, {"group": 1, "cases": 20, "events": 1}]
    frame = rates_table(counts_of(rows), settings, labels, told_apart)
    assert the_row(frame)["note"] == notes.RECURRENCE
    assert the_row(frame, "bone_shift")["note"] == notes.NEW_HERE
    both = the_row(frame, "all")
    assert (both["cases"], both["note"]) == (50, notes.NOT_POOLED)
    assert both[["events", "awaiting", *ESTIMATES]].isna().all()
    assert the_row(frame, "all", "any_complication")["events"] == 4


def test_one_kind_alone_is_taken_together(counts_of, settings, labels, told_apart):
    rows = [{"group": 0, "cases": 30, "events": 3}, {"group": 2, "cases": 20, "events": 1}]
    frame = rates_table(counts_of(rows), settings, labels, told_apart)
    assert the_row(frame, "all")["events"] == 4, "the group of both was also done for slack"
    assert the_row(frame, "all")["note"] == notes.RECURRENCE
