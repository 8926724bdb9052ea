"""Expected risk of each covariate cell: the model between the two passes of counting.

For now the rate of the procedure within the age band, smoothed by the procedure's own rate with weight 1, which
itself is smoothed by the rate of all. It stands where a regression would have too few events.
"""

from __future__ import annotations

import numpy as np

from pipeline.counts import RISK_UNIT, Counts, Risks
from pipeline.estimate.risk_model import smoothed_rates


def expected_risk(counts: Counts) -> Risks:
    """Risk of each cell of `counts.risk_cells` and outcome, in whole ten-thousandths, at least 1."""
    cells = counts.risk_cells
    group, part = cells.keys["group"].to_numpy(), cells.keys[["group", "age_band"]].to_numpy()
    risk = smoothed_rates(cells["events"], cells["cases"], group, part)
    return Risks(cells.keys, np.clip(np.rint(risk * RISK_UNIT), 1, RISK_UNIT).astype(np.int64))
