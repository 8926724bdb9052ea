"""Expected risk of each covariate cell: the model between the two passes of counting.

For now the rate of the procedure within the age band, smoothed by the procedure's own rate with weight 1, which
itself is smoothed by the rate of all. It stands where a regression would have too few events.
"""

from __future__ import annotations

import numpy as np

from pipeline.counts import RISK_UNIT, Counts, Risks


def expected_risk(counts: Counts) -> Risks:
    """Risk of each cell of `counts.risk_cells` and outcome, in whole ten-thousandths, at least 1."""
    cells = counts.risk_cells
    events, cases = (cells[name].astype(float) for name in ("events", "cases"))
    group = cells.keys["group"].to_numpy()
    band = np.unique(cells.keys[["group", "age_band"]].to_numpy(), axis=0, return_inverse=True)[1].ravel()
    overall = np.divide(events.sum(axis=0) + 0.5, cases.sum(axis=0) + 1)
    own = _smoothed(
        events, cases, np.unique(group, return_inverse=True)[1], np.broadcast_to(overall, events.shape)
    )
    risk = _smoothed(events, cases, band, own)
    return Risks(cells.keys, np.clip(np.rint(risk * RISK_UNIT), 1, RISK_UNIT).astype(np.int64))


def _smoothed(events: np.ndarray, cases: np.ndarray, part: np.ndarray, prior: np.ndarray) -> np.ndarray:
    """(events + prior) / (cases + 1) of each part, laid back on its cells."""
    summed = [np.zeros((int(part.max(initial=-1)) + 1, events.shape[1])) for _ in range(2)]
    for total, values in zip(summed, (events, cases), strict=True):
        np.add.at(total, part, values)
    return (summed[0][part] + prior) / (summed[1][part] + 1)
