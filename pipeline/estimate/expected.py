"""Expected risk of each covariate cell: the model between the two passes of counting."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pipeline.counts import COVARIATES, Counts, Outcomes, Risks
from pipeline.estimate.risk_model import RiskModel, risk_model
from pipeline.handover import Labels

if TYPE_CHECKING:
    from pipeline.estimate.surgeon_table import Spread

MODEL_COLUMNS = (
    "category", "window_days", "method", "why", "cases", "events", "coefficients", "lacking", "concordance",
    "concordance_low", "concordance_high", "calibration_intercept", "calibration_slope", "surgeons", "spread",
    "spread_drawn_in", "variance_between",
)  # fmt: skip


@dataclass(frozen=True)
class Expected:
    """Risks of every outcome shown by surgeon, and how each came about.

    Attributes:
        risks: For pass two of counting.
        models: One for each column of `risks.risk`.
        outcomes: The same columns.
    """

    risks: Risks
    models: tuple[RiskModel, ...]
    outcomes: Outcomes


def expected_risk(counts: Counts, confidence: float) -> Expected:
    """Risk of each cell of `counts.risk_cells` and outcome, in whole ten-thousandths, at least 1.

    Args:
        counts: Of all partitions.
        confidence: Of the interval of the C statistic.
    """
    cells, outcomes = counts.risk_cells, counts.surgeon_outcomes
    levels = cells.keys[list(COVARIATES)].to_numpy(np.int64)
    procedure, age_band = COVARIATES.index("group"), COVARIATES.index("age_band")
    models = tuple(
        risk_model(levels, procedure, age_band, cells["events"][:, at], cells["cases"][:, at], confidence)
        for at in range(len(outcomes))
    )
    columns = [model.risk for model in models]
    risk = np.column_stack(columns) if columns else np.zeros((len(levels), 0), np.int64)
    return Expected(Risks(cells.keys, risk), models, outcomes)


def risk_models_table(
    expected: Expected, spread: Mapping[tuple[int, int], Spread], labels: Labels
) -> pd.DataFrame:
    """The published `risk_models`: one row an outcome with closed cases.

    Args:
        expected: The models.
        spread: By category and window, of the surgeons the risks were laid to.
        labels: Names of the categories.
    """
    listed = zip(
        expected.outcomes.category.tolist(),
        expected.outcomes.window_days.tolist(),
        expected.models,
        strict=True,
    )
    rows = [
        {
            "category": labels.categories[category],
            "window_days": days,
            **_figures(model),
            **_apart(spread.get((category, days))),
        }
        for category, days, model in listed
        if model.cases
    ]
    return pd.DataFrame(rows, columns=list(MODEL_COLUMNS))


def _figures(model: RiskModel) -> dict[str, object]:
    return {
        "method": model.method,
        "why": model.why,
        "cases": model.cases,
        "events": model.events,
        "coefficients": model.parameters,
        "lacking": model.lacking,
        "concordance": model.concordance.value,
        "concordance_low": model.concordance.low,
        "concordance_high": model.concordance.high,
        "calibration_intercept": model.calibration.intercept,
        "calibration_slope": model.calibration.slope,
    }


def _apart(spread: Spread | None) -> dict[str, object]:
    if spread is None:
        return {"surgeons": 0}
    found = spread.beyond_chance
    return {
        "surgeons": spread.surgeons,
        "spread": found.phi,
        "spread_drawn_in": found.phi_winsorised,
        "variance_between": found.tau_squared,
    }
