"""The published `cohorts`: rates by period of operation."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd

from pipeline.catalogue import Catalogue
from pipeline.counts import Counts
from pipeline.estimate.rates import PERIOD, Ground, stratum_rates
from pipeline.handover import Labels
from pipeline.periods import parse_period
from pipeline.settings import Settings

_EPOCH = date(1970, 1, 1).toordinal()


def cohorts_table(
    counts: Counts, settings: Settings, labels: Labels, catalogue: Catalogue, until: np.ndarray
) -> pd.DataFrame:
    """Main levels of each procedure and all together, by the settings' kind of period.

    Args:
        counts: Of all cases.
        settings: Windows, kind of period.
        labels: Names.
        catalogue: How categories are observed.
        until: (sites,) calendar day to which each site's records are complete.
    """
    ground = Ground(counts.defined, settings, labels, catalogue)
    rows = stratum_rates(counts.cohorts, counts.cohort_ends, counts.cohort_outcomes, PERIOD, ground)
    period = rows["stratum_value"]
    own = rows.assign(stratum="none", stratum_value="")
    own.insert(0, "period", period)
    sites = np.unique(counts.cells.keys["site"].to_numpy(np.int64))
    known = int(until[sites].min()) if len(sites) else -1
    return own.assign(closed=_closed(own["period"], own["window_days"], settings, known))


def _closed(period: pd.Series, window_days: pd.Series, settings: Settings, known_until: int) -> np.ndarray:
    """bool: the window of an operation on the period's last day has closed at every site that has a case."""
    ends = {name: parse_period(name).last_day.toordinal() - _EPOCH for name in period.unique()}
    takes = {window.days: window.days + window.grace for window in settings.windows}
    judged = period.map(ends).to_numpy(np.int64) + window_days.map(takes).to_numpy(np.int64)
    return np.asarray(judged <= known_until)
