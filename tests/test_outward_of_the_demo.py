"""The outward edition of the demo: what it holds, what it does not, and when it is not written at all."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from pipeline import editions, store
from pipeline.catalogue import load_catalogue
from pipeline.periods import parse_period
from pipeline.publish import Context, SiteState
from pipeline.publish.outward import edition as outward_edition
from pipeline.publish.outward import write_outward
from pipeline.settings import load_settings
from pipeline.signed import SignedEdition
from schemas.exports import EXPORTS
from schemas.outward import OUTWARD, OUTWARD_QUALITY

SMALLEST = 5
DAYS, GRACE = (30, 90, 365, 730), (30, 60, 90, 120)
DAY = re.compile(r"\b(?:19|20)\d\d-\d\d-\d\d\b|\b\d{1,2}[./ ](?:\d{1,2}|[A-Z][a-z]+)[./ ](?:19|20)\d\d\b")


@pytest.fixture(scope="module")
def folder(demo: Any) -> Path:
    return Path(demo.edition) / "outward"


@pytest.fixture(scope="module")
def written(folder: Path) -> str:
    return "\n".join(path.read_text("utf-8") for path in sorted(folder.iterdir()))


@pytest.fixture(scope="module")
def rates(folder: Path) -> pd.DataFrame:
    return pd.read_csv(folder / "rates.csv", keep_default_na=False, na_values=[""])


# ---------------------------------------------------------------- what it does not hold


def test_it_is_there_and_its_files_are_those_the_manifests_state(demo: Any, folder: Path) -> None:
    assert {path.name for path in folder.iterdir()} == {*OUTWARD, "index.html", "manifest.json"}
    told = json.loads((demo.department / "manifest.json").read_text("utf-8"))
    assert told["outward"]["written"] is True
    assert told["outward"]["files"] == store.hashes_under(folder)
    own = json.loads((folder / "manifest.json").read_text("utf-8"))["files"]
    assert own == {
        name: digest for name, digest in store.hashes_under(folder).items() if name != "manifest.json"
    }
    assert "outward/" not in told["not_built_yet"]
    assert "outward_basis" not in told["not_built_yet"]


def test_its_page_says_how_wide_intervals_are(folder: Path) -> None:
    told = (folder / "index.html").read_text("utf-8").replace("\u00a0", " ")
    assert "Intervals of 95 %: what chance alone leaves open" in told


def test_no_day_stands_in_it(written: str) -> None:
    assert DAY.findall(written) == []


def test_no_id_file_or_note_of_the_demo_stands_in_it(demo: Any, sample_exports: Path, written: str) -> None:
    cases, records = demo.table("cases"), demo.table("records")
    ids = {*cases["case_id"], *cases["operation_id"], *records["record_id"]} - {""}
    canaries = {each for each in ids if not each.isdigit()}  # a bare number may also be a count
    canaries |= {surgeon.partition("/")[2] or surgeon for surgeon in cases["surgeon"] if surgeon}
    canaries |= {surgeon for surgeon in cases["surgeon"] if surgeon}
    canaries |= _patient_ids(sample_exports)
    canaries |= {"received/", "source_file", ".xlsx", "surgeon_id", "patient_id"}
    assert len(canaries) > 2000
    words = set(re.findall(r"[\w/.:+-]+", written))
    assert canaries & words == set()
    assert [each for each in canaries if "/" in each and each in written] == []
    notes = set(_notes(sample_exports))
    assert len(notes) > 50
    assert [note for note in notes if note in written] == []


def _patient_ids(workspace: Path) -> set[str]:
    files = sorted(workspace.glob("received/harbour/*/operations.csv"))
    ids = {each for path in files for each in pd.read_csv(path, dtype=str)["patient_id"].dropna()}
    assert len(ids) > 300
    return ids


def _notes(workspace: Path) -> list[str]:
    found = []
    for path in sorted(workspace.glob("received/**/*.csv")):
        for line in path.read_text("utf-8", errors="replace").splitlines():
            found += [
                cell.strip('" ') for cell in re.split(r"[,;]", line) if len(cell) > 25 and " " in cell.strip()
            ]
    return found


def test_no_surgeon_fixation_or_age_is_told_apart(rates: pd.DataFrame) -> None:
    assert set(rates["stratum"]) == {"none", "site"}
    assert not {"deaths", "awaiting", "assessed", "person_years", "incidence"} & set(rates.columns)


# ---------------------------------------------------------------- what it holds


@pytest.fixture(scope="module")
def closed(demo: Any) -> pd.DataFrame:
    """Cases and windows that are closed, counted anew from the case list."""
    cases = demo.table("cases")
    performed, known = pd.to_datetime(cases["performed_on"]), pd.to_datetime(cases["known_until"])
    frames = [
        cases[performed + pd.Timedelta(days=days + grace) <= known].assign(window_days=days)
        for days, grace in zip(DAYS, GRACE, strict=True)
    ]
    return pd.concat(frames)[["case_id", "site", "group", "patient", "window_days"]]


def test_what_is_shown_stands_for_no_patient_or_for_enough(
    demo: Any, rates: pd.DataFrame, closed: pd.DataFrame
) -> None:
    """Patients of each row of one site and one procedure, counted anew from the lists of cases and complications."""
    counted = demo.table("complications")
    counted = counted[counted["status"] == "counted"]
    had = closed.merge(counted[["case_id", "category", "level", "day"]], on="case_id")
    had = had[had["day"].isna() | (had["day"] <= had["window_days"])]
    key = ["site", "group", "category", "level", "window_days"]
    with_event = had.groupby(key)["patient"].nunique().rename("patients")
    shown = rates[(rates["stratum"] == "site") & (rates["procedure"] != "all") & rates["events"].notna()]
    shown = shown.rename(columns={"stratum_value": "site", "procedure": "group"})
    patients = shown[key].merge(with_event.reset_index(), on=key, how="left")["patients"].fillna(0)
    assert len(shown) > 500
    assert not patients.between(1, SMALLEST - 1).any()
    of_cases = closed.groupby(["site", "group", "window_days"])["patient"].nunique().rename("patients")
    rows = rates[(rates["stratum"] == "site") & (rates["procedure"] != "all") & rates["cases"].notna()]
    rows = rows.rename(columns={"stratum_value": "site", "procedure": "group"})
    every = rows.merge(of_cases.reset_index(), on=["site", "group", "window_days"])["patients"]
    assert every.min() >= SMALLEST


def test_no_line_of_a_table_is_a_subtraction(rates: pd.DataFrame) -> None:
    """Wherever a sum is shown, none or at least two of what it sums are hidden."""
    counts = rates[rates["cases"].notna() | rates["hidden"].notna()]
    table = ["category", "level", "window_days"]
    lines = 0
    for figure in ("cases", "lost", "events"):
        for _, own in counts.groupby(table):
            sites = own[own["stratum"] == "site"]
            for procedure, line in sites.groupby("procedure"):
                whole = own[(own["stratum"] == "none") & (own["procedure"] == procedure)]
                lines += _is_no_subtraction(line[figure], whole[figure])
            for stratum in ("none", "site"):
                for _, line in own[own["stratum"] == stratum].groupby("stratum_value", dropna=False):
                    every = line["procedure"] == "all"
                    lines += _is_no_subtraction(line.loc[~every, figure], line.loc[every, figure])
    assert lines > 1000


def _is_no_subtraction(parts: pd.Series, whole: pd.Series) -> int:
    if len(whole) and whole.notna().all():
        assert parts.isna().sum() != 1
    return 1


def test_shown_figures_are_the_departments(demo: Any, rates: pd.DataFrame) -> None:
    table = demo.table("rates")
    key = ["stratum", "stratum_value", "procedure", "category", "level", "window_days"]
    both = rates.fillna({"stratum_value": ""}).merge(table, on=key, suffixes=("", "_there"), how="left")
    for figure in (
        "cases",
        "followed",
        "lost",
        "events",
        "rate",
        "ci_low",
        "ci_high",
        "worst_case",
        "rf_ci_high",
    ):
        shown = both[both[figure].notna()]
        assert len(shown) > 500
        assert (shown[figure] - shown[f"{figure}_there"]).abs().max() < 1e-9


def test_whatever_rests_on_a_gap_is_a_gap(rates: pd.DataFrame) -> None:
    """From a share and its cases the events follow, from followed cases the lost."""
    no_events = rates["events"].isna()
    for figure in ("rate", "ci_low", "ci_high", "rate_followed", "worst_case", "lost", "followed"):
        assert rates.loc[no_events, figure].isna().all()
    assert rates.loc[rates["lost"].isna(), ["followed", "rate_followed", "worst_case"]].isna().all(axis=None)
    assert rates.loc[rates["cases"].isna(), ["rate", "followed", "ci_low"]].isna().all(axis=None)


def test_the_comparison_says_what_age_does_in_words_only(demo: Any, folder: Path) -> None:
    shown = pd.read_csv(folder / "comparison.csv")
    crude = demo.table("comparisons").query("primary and analysis == 'all_cases'").iloc[0]
    row = shown[shown["analysis"] == "all_cases"].iloc[0]
    assert (row["events_a"], row["cases_a"]) == (crude["events_a"], crude["cases_a"])
    assert crude["adj_rd_low"] < 0 < crude["adj_rd_high"]
    assert row["within_age"] == "Among patients of like age the counts cannot tell the two apart."
    assert "age band" not in row["verdict"]
    assert not [name for name in shown if name.startswith(("adj_", "homogeneity", "informative"))]


def test_quality_counts_checks_and_not_patients(folder: Path) -> None:
    quality = pd.read_csv(folder / "quality.csv")
    assert set(quality.columns) == set(OUTWARD_QUALITY.names)
    assert (quality["outside"] <= quality["with_tolerance"]).all()
    assert (quality["with_tolerance"] <= quality["checks"]).all()


def test_the_flow_adds_up_where_it_is_shown_and_hides_steps_of_few(demo: Any, folder: Path) -> None:
    flow, exact = pd.read_csv(folder / "flow.csv"), demo.table("flow")
    both = flow.merge(
        exact[exact["procedure"] == "all"], on=["site", "step", "unit"], suffixes=("", "_there")
    )
    assert len(both) == len(flow)
    for figure in ("before", "added", "removed", "after"):
        shown = both[both[figure].notna()]
        assert (shown[figure] == shown[f"{figure}_there"]).all()
    moved = both["added_there"] + both["removed_there"]
    assert both.loc[moved.between(1, SMALLEST - 1), ["added", "removed"]].isna().all(axis=None)
    hidden = both[both["removed"].isna()]
    assert (hidden.groupby("site").size() >= 2).all()


# ---------------------------------------------------------------- patients, not cases


def test_two_sides_of_a_patient_are_one_patient(
    root: Path, tmp_path: Path, audit: Callable[..., Any]
) -> None:
    """Course 9 of the twelve: both knees of one patient, an abscess on the left; so 7 cases are 6 patients."""
    edition = audit(root / "tests/journeys/twelve_courses", tmp_path, expected_exit=None)
    basis = edition.table("outward_basis")
    row = basis.query("part == 'whole' and stratum == 'none' and procedure == 'ligament_reconstruction'")
    row = row.query("category == 'any_complication' and window_days == 365").iloc[0]
    assert (row["cases"], row["patients_cases"]) == (7, 6)
    assert (row["events"], row["patients_events"]) == (4, 4)


# ---------------------------------------------------------------- after an earlier one


@pytest.fixture(scope="module")
def context(sample_exports: Path) -> Context:
    catalogue = load_catalogue(sample_exports / "catalogue.toml")
    settings = load_settings(sample_exports / "audit.toml", catalogue, EXPORTS["operations"].names)
    sites = tuple(SiteState(site) for site in settings.sites)
    return Context("2026-10", date(2026, 10, 31), date(2026, 11, 5), sites, settings, catalogue, "0")


def tables_of(department: Path) -> dict[str, pa.Table]:
    found = {
        name: pq.read_table(department / f"tables/{name}.parquet")
        for name in ("rates", "comparisons", "flow")
    }
    found |= {
        name: pq.read_table(department / f"{name}.parquet") for name in ("second_cases", "cases", "records")
    }
    return found | {
        "quality": pa.Table.from_pandas(pd.read_csv(department / "quality.csv"), preserve_index=False)
    }


@pytest.fixture(scope="module")
def year_before(
    sample_exports: Path, tmp_path_factory: pytest.TempPathFactory, audit: Callable[..., Any]
) -> Any:
    return audit(sample_exports, tmp_path_factory.mktemp("before"), "--period", "2025-10", expected_exit=None)


def test_after_a_year_only_what_changed_by_enough_is_new(
    year_before: Any, demo: Any, context: Context, tmp_path: Path
) -> None:
    last = SignedEdition(Path(year_before.edition), parse_period("2025-10"), 1)
    done = write_outward(tmp_path, tables_of(demo.department), replace(context, set_against=last))
    assert done.reason == ""
    assert done.after == "2025-10/1"
    assert done.basis is not None
    key = ["part", "stratum", "stratum_value", "procedure", "category", "level", "window_days"]
    now, then = done.basis.to_pandas(), year_before.table("outward_basis")
    both = now.fillna({"stratum_value": ""}).merge(then, on=key, suffixes=("", "_then"))
    for figure in ("cases", "lost", "events"):
        moved = (both[f"patients_{figure}"] - both[f"patients_{figure}_then"]).abs()
        changed = both[figure] != both[f"{figure}_then"]
        assert not (changed & (moved < SMALLEST)).any()
    assert set(now["figures_of"]) <= {"2025-10/1", "2026-10/1"}
    assert {"2025-10/1"} <= set(now["figures_of"])


def test_nothing_new_repeats_the_edition(demo: Any, context: Context, tmp_path: Path) -> None:
    last = SignedEdition(Path(demo.edition), parse_period("2026-10"), 1)
    again = replace(context, period="2026-11", set_against=last)
    assert write_outward(tmp_path, tables_of(demo.department), again).reason == ""
    kept = [
        "category",
        "level",
        "window_days",
        "stratum",
        "stratum_value",
        "procedure",
        "figures_of",
        "events",
    ]
    before, now = (pd.read_csv(place / "outward/rates.csv") for place in (Path(demo.edition), tmp_path))
    counting = [
        frame[frame["cases"].notna() | frame["hidden"].notna()][kept].reset_index(drop=True)
        for frame in (before, now)
    ]
    pd.testing.assert_frame_equal(*counting)


# ---------------------------------------------------------------- when it is not written


def test_a_leak_is_found_and_nothing_is_written(
    demo: Any, context: Context, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Only what is of few patients hidden, as if there were no subtraction."""

    def naive(truth: Any, smallest: int) -> Any:
        from pipeline.disclosure.gaps import Gaps
        from pipeline.disclosure.hiding import _few_in_rows

        return Gaps(_few_in_rows(truth.patients, smallest), _few_in_rows(truth.arms, smallest))

    monkeypatch.setattr(outward_edition, "hidden_figures", naive)
    done = write_outward(tmp_path, tables_of(demo.department), context)
    assert "works out" in done.reason
    assert done.basis is None
    assert not (tmp_path / "outward").exists()


def test_the_department_gets_its_edition_all_the_same(
    root: Path, tmp_path: Path, limbaudit: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    workspace = root / "tests/journeys/twelve_courses"
    exit_code = limbaudit("run", workspace, "--out", tmp_path / "plain").exit_code
    monkeypatch.setattr(outward_edition, "attack_files", _finds_something)
    finished = limbaudit("run", workspace, "--out", tmp_path / "out")
    assert finished.exit_code == exit_code
    assert "There is no outward edition: a figure was worked out" in finished.said
    edition = next((tmp_path / "out").glob("*/draft-*"))
    assert not (edition / "outward").exists()
    assert (
        json.loads((edition / "department/manifest.json").read_text("utf-8"))["outward"]["written"] is False
    )
    assert editions.faults_of(edition) == ()


def _finds_something(*_: object) -> None:
    from pipeline.errors import GivesAway

    raise GivesAway("a figure was worked out")


def test_an_outward_file_that_was_changed_is_noticed(
    root: Path, tmp_path: Path, audit: Callable[..., Any]
) -> None:
    edition = Path(audit(root / "tests/journeys/twelve_courses", tmp_path, expected_exit=None).edition)
    assert editions.faults_of(edition) == ()
    with (edition / "outward/rates.csv").open("a", encoding="utf-8") as stream:
        stream.write("x\n")
    assert editions.faults_of(edition) == ("outward/rates.csv has other bytes",)
