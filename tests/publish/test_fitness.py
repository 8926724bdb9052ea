"""Figures carry what their records are fit for."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from pipeline.publish import Context
from pipeline.publish.fitness import fitness, with_fitness
from pipeline.publish.quality_page import quality_body
from pipeline.publish.rates_page import rates_body

HILL = {"verdict": "not_fit_for_comparison", "reasons": ("followups were never <sent>",)}


def test_rows_of_a_site_say_so_in_their_note() -> None:
    rates = pd.DataFrame({
        "stratum": ["none", "site", "site", "site", "surgeon"],
        "stratum_value": [None, "harbour", "hill", "hill", "hill/1"],
        "note": [None, None, None, "clustered", None],
    })  # fmt: skip
    noted = with_fitness(rates, {"harbour": "fit", "hill": "not_fit_for_comparison"})
    assert noted["note"].fillna("").tolist() == [
        "", "", "records not fit for comparison", "clustered; records not fit for comparison", "",
    ]  # fmt: skip
    assert rates["note"].fillna("").tolist() == ["", "", "", "clustered", ""]
    assert with_fitness(rates, {"harbour": "fit", "hill": "fit"}) is rates


def test_the_rates_page_names_sites_that_are_not_simply_fit(
    context: Context, tables: dict[str, pd.DataFrame]
) -> None:
    harbour, hill = context.sites
    told = rates_body(tables, replace(context, sites=(harbour, replace(hill, **HILL))))
    assert "مستشفى التل: not fit for comparison (followups were never &lt;sent&gt;)" in told
    assert 'href="quality.html#sites"' in told
    everywhere = fitness(replace(context, sites=(harbour,)))
    assert "fit at every site" in everywhere


def test_the_quality_page_says_verdict_and_why(context: Context, tables: dict[str, pd.DataFrame]) -> None:
    harbour, hill = context.sites
    told = quality_body(tables, replace(context, sites=(harbour, replace(hill, **HILL))))
    for said in ("Not fit for comparison", "Followups were never &lt;sent&gt;.", "Shares outside the limits", "8 of 60",
                 "<svg", "Median of up to eight before", "120.0", "Later than 150 days"):  # fmt: skip
        assert said in told
    assert told.count("<tr") < 500
