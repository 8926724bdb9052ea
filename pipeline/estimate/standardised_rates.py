"""The published `standardised_rates`: what each procedure's rate would be with everybody's mix of ages."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.catalogue import Catalogue
from pipeline.counts import Counts
from pipeline.estimate import notes
from pipeline.estimate.proportions import share_of
from pipeline.estimate.standardised import standardised_share
from pipeline.handover import Labels
from pipeline.settings import Settings

COLUMNS = (
    "procedure", "category", "window_days", "cases", "events", "rate", "standardised_rate", "ci_low", "ci_high",
    "covered", "note",
)  # fmt: skip


def standardised_rates_table(
    counts: Counts, settings: Settings, labels: Labels, catalogue: Catalogue
) -> pd.DataFrame:
    """One row a procedure, main level of a category and window with closed cases, where it can occur and is defined.

    The mix is that of the closed cases of all procedures in which the category can occur. A procedure without a case in
    an age band that has others has no standardised rate; `covered` says for which share of the mix it has cases.
    """
    outcomes = counts.outcomes
    known = [catalogue.complications.get(key) for key in labels.categories]
    first_day = np.array([entry.first_day if entry else 0 for entry in known], np.int64)[outcomes.category]
    begun = (first_day == 0) | (outcomes.window_days > first_day)
    main = np.flatnonzero((outcomes.level == 0) & begun)
    by_age = counts.cells.by("group", "age_band")
    groups, group = np.unique(by_age.keys["group"].to_numpy(), return_inverse=True)
    bands, band = np.unique(by_age.keys["age_band"].to_numpy(), return_inverse=True)
    shape = (len(groups), len(main), len(bands))
    cases, events = np.zeros(shape, np.int64), np.zeros(shape, np.int64)
    for table, name in ((cases, "cases"), (events, "events")):
        table[group, :, band] = by_age[name][:, main]
    can_occur = counts.defined[groups][:, outcomes.category[main]] == 1
    cases, events = (np.where(can_occur[..., None], table, 0) for table in (cases, events))
    mix = cases.sum(axis=0)
    found = standardised_share(events, cases, np.broadcast_to(mix, shape), settings.confidence)
    total, had = cases.sum(axis=-1), events.sum(axis=-1)
    covered = share_of(
        np.where(cases > 0, mix, 0).sum(axis=-1), np.broadcast_to(mix.sum(axis=-1), total.shape)
    )
    at, outcome = np.nonzero(total > 0)
    own = (at, outcome)
    return pd.DataFrame(
        {
            "procedure": np.array(labels.groups, dtype=object)[groups[at]],
            "category": np.array(labels.categories, dtype=object)[outcomes.category[main][outcome]],
            "window_days": outcomes.window_days[main][outcome],
            "cases": total[own],
            "events": had[own],
            "rate": share_of(had, total)[own],
            "standardised_rate": found.rate[own],
            "ci_low": found.low[own],
            "ci_high": found.high[own],
            "covered": covered[own],
            "note": np.where(np.isnan(found.rate[own]), notes.NO_CASE_OF_AN_AGE, ""),
        },
        columns=list(COLUMNS),
    )
