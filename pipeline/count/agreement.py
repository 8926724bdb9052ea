"""How often two reviewers of one question agreed, in whole numbers."""

from __future__ import annotations

import pandas as pd

COUNTS = ("pairs", "both_yes", "one_only", "two_only", "both_no")


def agreement_counts(decided: pd.DataFrame) -> pd.DataFrame:
    """`category` and COUNTS, one row a category with a pair; `one` is the first of the two by name.

    Args:
        decided: With `category`, and the answers `one` and `two` (1, 0; -1 where there were not two).
    """
    pairs = decided[decided["one"] >= 0]
    one, two = pairs["one"] == 1, pairs["two"] == 1
    told = pairs[["category"]].assign(
        pairs=1, both_yes=one & two, one_only=one & ~two, two_only=~one & two, both_no=~one & ~two
    )
    return told.astype("int64").groupby("category", as_index=False)[list(COUNTS)].sum()
