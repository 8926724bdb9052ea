"""The scorecard, counted by hand."""

from __future__ import annotations

from dataclasses import replace

from pipeline.settings import Settings, Tolerance
from schemas.exports import EXPORTS
from schemas.fit import typed
from schemas.models import model_failures
from schemas.published import PUBLISHED


def test_a_clean_site_has_no_failing_row(export, score):
    quality = score(export("operations", {}, {}), export("events", {})).tables["quality"]
    assert quality["failing"].sum() == 0
    completeness = quality[quality["rule"] == "value_missing"]
    expected = [*EXPORTS["operations"].required, *EXPORTS["events"].required]
    assert sorted(completeness["column"]) == sorted(expected)
    assert completeness["rows"].isin([1, 2]).all()


def test_failing_rows_by_site_table_and_rule(export, score):
    rows = [{"side": None}, {"side": "?!"}, {"side": "?!", "site": "quay"}, {}, {"site": "quay"}]
    quality = score(export("operations", *rows)).tables["quality"]
    failing = quality[quality["failing"] > 0]
    assert failing[["site", "column", "rule", "rows", "failing", "verdict"]].values.tolist() == [
        ["harbour", "", "quarantined_share", 3, 2, "over tolerance"],
        ["harbour", "side", "value_missing", 3, 1, "no tolerance set"],
        ["harbour", "side", "value_unknown_word", 3, 1, "no tolerance set"],
        ["quay", "", "quarantined_share", 2, 1, "over tolerance"],
        ["quay", "side", "value_unknown_word", 2, 1, "no tolerance set"],
    ]


def test_the_share_held_back_is_judged_against_its_tolerance(export, score):
    received = export("operations", {"side": None}, {}, {}, {})
    for tolerance, verdict in ((0.25, "within tolerance"), (0.24, "over tolerance")):
        settings = Settings(tolerance=Tolerance(quarantined_share=tolerance))
        quality = score(received, settings=settings).tables["quality"]
        share = quality[quality["rule"] == "quarantined_share"]
        assert share[["share", "tolerance", "verdict"]].values.tolist() == [[0.25, tolerance, verdict]]


def test_rows_of_a_refused_file_are_scored_under_its_reason(export, score):
    unclear = export("operations", {"performed_on": "03/04/2025"})
    quality = score(unclear, export("operations", {}, {}, {})).tables["quality"]
    refused = quality[quality["rule"] == "date_order_unclear"]
    assert refused[["site", "table", "rows", "failing", "share"]].values.tolist() == [
        ["harbour", "operations", 4, 1, 0.25]
    ]


def test_the_scorecard_fits_its_published_table(export, score):
    quality = score(export("operations", {"side": None}, {})).tables["quality"]
    table = PUBLISHED["quality"]
    assert model_failures(table, typed(table, quality)).empty


def test_an_export_without_rows_scores_nothing_and_does_not_fail(export, score):
    found = score(export("operations"))
    assert found.tables["quality"]["failing"].sum() == 0
    assert found.tables["quality_trend"].empty
    assert found.findings.empty


def test_a_file_that_is_no_table_of_records_is_not_scored(export, score):
    other = replace(
        export("operations", {}).source, table="control_totals", source_file="received/harbour/x.csv"
    )
    assert set(score(export("operations", {}), sources=[other]).tables["quality"]["table"]) == {"operations"}
