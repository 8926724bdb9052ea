"""The second pass: expected risks laid back on the cases, and the tables made of what each part then counts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.catalogue import Catalogue
    from pipeline.counts import Counts
    from pipeline.handover import Cases
    from pipeline.settings import Settings


def tables_by_risk(
    parts: Sequence[Cases], counts: Counts, settings: Settings, catalogue: Catalogue
) -> dict[str, pd.DataFrame]:
    """`surgeon_outcomes`, `risk_models`, `monitoring` and `charts`.

    Args:
        parts: The cases of every partition, at least one.
        counts: Of all of them: pass one.
        settings: Which outcomes are shown by surgeon.
        catalogue: How each category is observed.
    """
    from pipeline.count import added_chart_cases, added_histograms, chart_cases, risk_histogram
    from pipeline.estimate import (
        expected_risk,
        monitoring_tables,
        risk_models_table,
        spreads,
        surgeon_outcomes_table,
    )

    labels = parts[0].labels
    expected = expected_risk(counts, settings.confidence)
    risks = expected.risks
    histogram = added_histograms([risk_histogram(part, settings, catalogue, risks) for part in parts])
    in_order = added_chart_cases([chart_cases(part, settings, catalogue, risks) for part in parts])
    return {
        "surgeon_outcomes": surgeon_outcomes_table(histogram, expected, settings, labels, catalogue),
        "risk_models": risk_models_table(expected, spreads(histogram), labels),
        **monitoring_tables(in_order, settings, labels),
    }
