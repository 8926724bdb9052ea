"""Where nothing was counted and many were lost, or hardly anyone was measured, no page and no handout says "none" alone."""

from __future__ import annotations

import pandas as pd
import pytest

from pipeline.publish import Context, figures
from pipeline.publish.handout_figures import counts_in_words, interval_plot, rates_blocks
from tests.publish.conftest import rate, table_of


@pytest.fixture
def lost(context: Context) -> pd.DataFrame:
    """20 cases, none with it; 19 lost, or all followed and 3 measured. Wilson's upper end of 0 in 20 is 16.1 %."""
    first, second = list(context.catalogue.procedures)[:2]
    seen = {"rate_followed": 0.0, "rf_ci_low": 0.0, "rf_ci_high": 0.8, "ci_low": 0.0, "ci_high": 0.161}
    rows = [
        rate(procedure, category, level, 365, 20, 0, lost, assessed=assessed, **seen)
        for procedure in ("all", first, second)
        for category, level, lost, assessed in (
            ("any_complication", "any", 19, None), ("stiffness", "persistent", 0, 3),
        )
    ]  # fmt: skip
    return table_of("rates", rows)


def test_the_page_prints_the_range(lost: pd.DataFrame, context: Context) -> None:
    printed = figures.in_print(lost.iloc[:1], context).iloc[0]
    assert printed["rate"].replace("\u00a0", " ") == "between 0 and 95.0 %"
    assert "19 of 20 not followed long enough, so a range; by chance alone at most 16.1 %" in printed[
        "note"
    ].replace("\u00a0", " ")


def test_the_handout_prints_the_range_and_how_few_were_measured(lost: pd.DataFrame, context: Context) -> None:
    said = [line.replace("\u00a0", " ") for line in counts_in_words({"rates": lost}, context)]
    assert any(
        "none had any complication: between 0 and 95.0 %. 19 of the 20 were not" in line for line in said
    )
    assert any(line.endswith("would still fit). Only 3 of the 20 were measured for it.") for line in said)
    (block,) = rates_blocks({"rates": lost}, context)
    cells = [cell for row in block["rows"] for cell in row["cells"]]
    assert {cell["counts"] for cell in cells if "measured" in cell["counts"]} == {"0 of 20; 3 measured"}


def test_the_picture_of_the_handout_draws_the_range(lost: pd.DataFrame, context: Context) -> None:
    drawn = interval_plot({"rates": lost}, context)
    assert {point["worst"] for point in drawn["rows"]} == {0.95}
    assert "Grey bar" in drawn["legend"]
