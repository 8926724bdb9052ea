"""The published `missed_in_letters`: of cases drawn and read, how many had a complication that had not been found."""

from __future__ import annotations

import pandas as pd

from pipeline.estimate.proportions import proportion_interval, share_of
from pipeline.handover import Labels
from pipeline.settings import Settings

COUNTS = ["cases", "read", "missed", "undecided"]
NOT_READ = "no case of the sample has been read yet"


def missed_table(counts: pd.DataFrame, labels: Labels, settings: Settings) -> pd.DataFrame:
    """A row a site, and one for all of them together.

    Args:
        counts: `site, cases, read, missed, undecided`.
    """
    named = counts.assign(site=[labels.sites[number] for number in counts["site"]])
    whole = pd.DataFrame([{"site": "all", **counts[COUNTS].sum().to_dict()}])
    table = pd.concat([whole, named], ignore_index=True)[["site", *COUNTS]]
    missed, read = table["missed"].to_numpy(), table["read"].to_numpy()
    limits = proportion_interval(missed, read, settings.interval, settings.confidence)
    return table.assign(
        share=share_of(missed, read),
        ci_low=limits.low,
        ci_high=limits.high,
        note=[NOT_READ if number == 0 else "" for number in read],
    )
