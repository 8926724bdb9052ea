"""The second pass: expected risks laid back on the cases, and the tables made of what each part then counts."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from pipeline import part_work
from pipeline.second import ALONE, Alone

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.counts import Counts
    from pipeline.engine import Engine


def tables_by_risk(
    engine: Engine, rules: part_work.Rules, parts: Sequence[Any], counts: Counts, hand: Alone = ALONE
) -> Callable[[], dict[str, pd.DataFrame]]:
    """Begin with `surgeon_outcomes`, `risk_models`, `monitoring` and `charts`.

    Args:
        engine: Holds the parts.
        rules: As in the first pass.
        parts: The cases of every partition, at least one.
        counts: Of all of them: pass one.
        hand: Who works out the running charts.

    Returns:
        What waits for all four.
    """
    from pipeline.count import added_chart_cases, added_histograms
    from pipeline.estimate import (
        expected_risk,
        monitoring_tables,
        risk_models_table,
        spreads,
        surgeon_outcomes_table,
    )

    settings, labels = rules.settings, rules.labels
    expected = expected_risk(counts, settings.confidence)
    second = replace(rules, risks=expected.risks)
    histogram = engine.total(part_work.part_histogram, added_histograms, second, parts)
    in_order = added_chart_cases(engine.all(engine.each(part_work.part_chart_cases, second, parts)))
    running = hand.begin(monitoring_tables, in_order, settings, labels)
    made = {
        "surgeon_outcomes": surgeon_outcomes_table(histogram, expected, settings, labels, rules.catalogue),
        "risk_models": risk_models_table(expected, spreads(histogram), labels),
    }
    return lambda: made | running()
