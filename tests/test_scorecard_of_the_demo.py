"""The demo scored with and without its planted faults: each lowers its rule, and nothing else moves."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from pipeline.clock import Clock, silent
from pipeline.run import Asked, accounted, ground_of
from pipeline.scorecard import Scorecard
from schemas.findings import FINDINGS
from schemas.sample import write_sample

#: Enough for every fault to be planted at the largest hospital.
CASES, SEED = 900, 7
#: Measures that no fault needs to lower, and that are no fault where they are not nought.
MEASURES = ("value_empty", "recorded_late")
#: Said of a whole file, of which no row is the worse, or about the catalogue.
NOT_SCORED = ("file_changed", "code_unknown", "fixation_unknown")
KEY = ["site", "table", "column", "rule"]


def scored(workspace: Path) -> Scorecard:
    return accounted(ground_of(Asked(workspace)), Clock(silent)).scorecard


@pytest.fixture(scope="module")
def clean(tmp_path_factory: pytest.TempPathFactory) -> Scorecard:
    folder = tmp_path_factory.mktemp("clean") / "demo"
    write_sample(folder, CASES, SEED, faults=False)
    return scored(folder)


@pytest.fixture(scope="module")
def faulty(tmp_path_factory: pytest.TempPathFactory) -> tuple[Scorecard, pd.DataFrame]:
    folder = tmp_path_factory.mktemp("faulty") / "demo"
    write_sample(folder, CASES, SEED, faults=True)
    return scored(folder), pd.read_csv(folder / "truth" / "faults.csv", keep_default_na=False)


def failing(card: Scorecard) -> pd.Series:
    return card.tables["quality"].astype(dict.fromkeys(KEY, object)).set_index(KEY)["failing"]


@pytest.fixture(scope="module")
def moved(clean: Scorecard, faulty: tuple[Scorecard, pd.DataFrame]) -> pd.Series:
    """More failing rows with the faults than without, where these differ."""
    both = failing(faulty[0]).sub(failing(clean), fill_value=0)
    return both[both != 0].astype(int)


def test_a_clean_demo_scores_no_failing_rule_and_every_site_is_fit(clean: Scorecard) -> None:
    quality = clean.tables["quality"]
    assert set(quality["site"]) == {"harbour", "millfield", "northgate"}
    assert len(quality) > 500
    broken = quality[(quality["failing"] > 0) & ~quality["rule"].isin(MEASURES)]
    assert broken[KEY].values.tolist() == []
    told = {site: (verdict.word, verdict.reasons) for site, verdict in clean.verdicts.items()}
    assert told == dict.fromkeys(("harbour", "millfield", "northgate"), ("fit", ()))
    assert set(clean.findings["rule"]) <= {"value_new"}


def test_each_planted_fault_lowers_exactly_its_rule(
    moved: pd.Series, faulty: tuple[Scorecard, pd.DataFrame]
) -> None:
    """One row more fails for each row planted; a fault of a whole file fails the rows of the file."""
    planted = faulty[1]
    action = planted["rule"].map(lambda rule: FINDINGS[rule].action if rule else "repair")
    scored = ((action != "repair") | (planted["rule"] == "record_duplicate")) & ~planted["rule"].isin(
        NOT_SCORED
    )
    counted = planted[scored]
    expected = counted.groupby(["site", "table", "rule"]).size()
    held_back = planted[action == "quarantine"].groupby(["site", "table"]).size()
    rules = moved[~moved.index.get_level_values("rule").isin([*MEASURES, "quarantined_share"])]
    found = rules.groupby(["site", "table", "rule"]).sum()
    assert set(found.index) == set(expected.index)
    whole = counted[(counted["source_line"] == 0) & (counted["rule"] != "records_vanished")]
    files = set(whole[["site", "table", "rule"]].itertuples(index=False, name=None))
    single = [key for key in expected.index if key not in files]
    assert found[single].to_dict() == expected[single].to_dict()
    assert all(found[key] > 1 for key in files)
    shares = moved[moved.index.get_level_values("rule") == "quarantined_share"]
    assert shares.groupby(["site", "table"]).sum().to_dict() == held_back.to_dict()


def test_only_completeness_of_tables_with_planted_rows_moves(
    moved: pd.Series, faulty: tuple[Scorecard, pd.DataFrame]
) -> None:
    """The surgeon left out, the one who began later, and the empty cells of rows that were added beside the story."""
    planted = faulty[1].groupby(["site", "table"]).size()
    empties = moved[moved.index.get_level_values("rule") == "value_empty"]
    assert empties["harbour", "operations", "surgeon_id", "value_empty"] == 2
    for (site, table, *_), more in empties.items():
        assert abs(more) <= planted[site, table]


def test_the_verdict_of_the_demo_names_the_record_that_is_gone(
    faulty: tuple[Scorecard, pd.DataFrame],
) -> None:
    verdicts = faulty[0].verdicts
    assert verdicts["millfield"].word == "fit_with_reservations"
    assert verdicts["millfield"].reasons == ("1 record of followups sent before is no longer sent",)
    assert verdicts["harbour"].word == "fit"
