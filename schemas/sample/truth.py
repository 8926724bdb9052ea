"""What a right count finds in the story: cases and complications, from the facts alone."""

from __future__ import annotations

import numpy as np
import pandas as pd

from schemas.sample.chronicle import Chronicle
from schemas.sample.people import LIGAMENT, OPERATIONS, TUBERCLE
from schemas.sample.records import Ids, dates

#: The level that counts, of categories that have several.
MAIN_LEVELS = {"stiffness": "persistent", "instability": "primary", "revision": "any_return"}
COLUMNS = ("site", "operation_id", "side", "category", "level", "day", "how", "expected_status")


def true_cases(told: Chronicle, ids: Ids) -> pd.DataFrame:
    """One row an index case; two compared operations at one sitting are joined by `+`."""
    keys = np.array([operation.key for operation in OPERATIONS])
    together = f"{keys[LIGAMENT]}+{keys[TUBERCLE]}"
    procedure = np.where(told.cases["both"], together, keys[told.operation])
    cases = pd.DataFrame({"site": ids.site, "operation_id": ids.of_case, "side": told.cases["side"]})
    cases = cases.assign(performed_on=dates(told.performed), procedure=procedure)
    cases = cases.assign(age_years=told.cases["age"], surgeon_id=told.cases["surgeon"])
    return cases.sort_values(["site", "operation_id", "side"], kind="stable", ignore_index=True)


def true_complications(told: Chronicle, ids: Ids) -> pd.DataFrame:
    """One row a case, category and level with the day of the earliest evidence, `any_complication` included."""
    expected = pd.concat([told.frame("truth"), _any(told.frame("truth"))], ignore_index=True)
    case = expected["case"].to_numpy()
    expected["site"], expected["operation_id"] = ids.site[case], ids.of_case[case]
    expected["side"] = told.cases["side"].to_numpy()[case]
    expected = expected.sort_values([*COLUMNS[:6], "how"], kind="stable", ignore_index=True)
    return expected.drop_duplicates([*COLUMNS[:5], "expected_status"])[[*COLUMNS]].reset_index(drop=True)


def _any(expected: pd.DataFrame) -> pd.DataFrame:
    """The first counted complication of each case; a death is none."""
    if expected.empty:
        return expected
    main = expected["category"].map(MAIN_LEVELS).fillna("any")
    counted = (
        expected["expected_status"].eq("counted")
        & expected["level"].eq(main)
        & expected["category"].ne("death")
    )
    first = expected[counted].groupby("case", as_index=False)["day"].min()
    return first.assign(category="any_complication", level="any", how="derived", expected_status="counted")
