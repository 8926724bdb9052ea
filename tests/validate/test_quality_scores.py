"""The scorecard, counted by hand."""

from __future__ import annotations

import pandas as pd

from pipeline.settings import Settings, Tolerance
from pipeline.validate import validated
from schemas.exports import EXPORTS
from schemas.models import model_failures, typed
from schemas.published import PUBLISHED

PLACES = ("shoulder",)


def scores(received, settings=Settings()) -> pd.DataFrame:  # noqa: B008
    return validated(received, settings, PLACES).quality


def test_a_clean_site_has_no_failing_row(export, intake):
    quality = scores(intake(export("operations", {}, {}), export("events", {})))
    assert quality["failing"].sum() == 0
    completeness = quality[quality["rule"] == "value_missing"]
    expected = [*EXPORTS["operations"].required, *EXPORTS["events"].required]
    assert sorted(completeness["column"]) == sorted(expected)
    assert completeness["rows"].isin([1, 2]).all()


def test_failing_rows_by_site_table_and_rule(export, intake):
    rows = [{"side": None}, {"side": "?!"}, {"side": "?!", "site": "quay"}, {}, {"site": "quay"}]
    quality = scores(intake(export("operations", *rows)))
    failing = quality[quality["failing"] > 0]
    assert failing[["site", "column", "rule", "rows", "failing", "verdict"]].values.tolist() == [
        ["harbour", "", "quarantined_share", 3, 2, "over tolerance"],
        ["harbour", "side", "value_missing", 3, 1, "no tolerance set"],
        ["harbour", "side", "value_unknown_word", 3, 1, "no tolerance set"],
        ["quay", "", "quarantined_share", 2, 1, "over tolerance"],
        ["quay", "side", "value_unknown_word", 2, 1, "no tolerance set"],
    ]


def test_the_share_held_back_is_judged_against_its_tolerance(export, intake):
    received = intake(export("operations", {"side": None}, {}, {}, {}))
    for tolerance, verdict in ((0.25, "within tolerance"), (0.24, "over tolerance")):
        quality = scores(received, Settings(tolerance=Tolerance(quarantined_share=tolerance)))
        share = quality[quality["rule"] == "quarantined_share"]
        assert share[["share", "tolerance", "verdict"]].values.tolist() == [[0.25, tolerance, verdict]]


def test_rows_of_a_refused_file_are_scored_under_its_reason(export, intake):
    unclear = export("operations", {"performed_on": "03/04/2025"})
    quality = scores(intake(unclear, export("operations", {}, {}, {})))
    refused = quality[quality["rule"] == "date_order_unclear"]
    assert refused[["site", "table", "rows", "failing", "share"]].values.tolist() == [
        ["harbour", "operations", 4, 1, 0.25]
    ]


def test_the_scorecard_fits_its_published_table(export, intake):
    quality = scores(intake(export("operations", {"side": None}, {})))
    table = PUBLISHED["quality"]
    assert model_failures(table, typed(table, quality)).empty
