"""The order in which cases are drawn to be read, so that it is seen how often nothing was found though there was something."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.publish.questions import Ground

#: So many cases are kept ready; a month's sample is much smaller.
MOST_DRAWN = 1000
SALT = "drawn:"


def sampling_frame(negative: np.ndarray, notes: pd.DataFrame, ground: Ground) -> pd.DataFrame:
    """The published `sampling_frame`: cases not read yet, in an order that depends on nothing but their ids.

    The first of them are a simple random sample of all whatever their number, and further ones make it larger.

    Args:
        negative: bool over all cases.
        notes: `case, table, row` of every note of a case.
    """
    lists = ground.lists
    read = lists.cases_called(pd.Series(sorted(ground.answers.sampled), dtype=object))
    cases = np.setdiff1d(np.flatnonzero(negative), read)
    salted = pd.Series(SALT + lists.ids_of(cases), dtype=object)
    keys = pd.util.hash_pandas_object(salted, index=False).to_numpy()
    drawn = cases[np.lexsort((cases, keys))][:MOST_DRAWN]
    own = notes[notes["case"].isin(drawn)]
    told = own.assign(reference=lists.references(own)).groupby("case")["reference"].agg("; ".join).to_dict()
    return pd.DataFrame(
        {
            "case_id": lists.ids_of(drawn),
            "draw": np.arange(1, len(drawn) + 1),
            "surgeons": ground.surgeons_of(drawn).to_pandas(),
            "evidence": [told[case] for case in drawn],
        }
    )
