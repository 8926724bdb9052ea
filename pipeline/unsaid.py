"""What records leave unsaid, so far as only their case shows that it was needed: findings at their lines."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline import findings
from pipeline.handover import RETURN
from schemas.exports import ID_COLUMN

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.handover import Accepted
    from pipeline.parts import Whole


def left_unsaid(accepted: Accepted, whole: Whole) -> pd.DataFrame:
    """Returns that do not say how they were done; motion that was read, but never passively.

    The first is told at each record. Of the second there may be thousands, so it is told once a file, at its first
    record, with the number of cases.
    """
    return findings.joined([_undescribed_returns(accepted, whole), _not_passive(accepted, whole)])


def _undescribed_returns(accepted: Accepted, whole: Whole) -> pd.DataFrame:
    chain = whole.chain
    silent = (chain["role"] == RETURN) & (chain["anaesthesia"] < 0) & ~chain["pending"]
    found = _at_records(accepted, "operations", np.unique(chain.loc[silent, "row"]))
    message = "The return does not say how it was done; it is counted. Send the kind of anaesthesia."
    return _told(found.assign(message=message), "operations", "anaesthesia", "return_without_anaesthesia")


def _not_passive(accepted: Accepted, whole: Whole) -> pd.DataFrame:
    lacking = whole.unassessed
    found = _at_records(accepted, "measurements", lacking["row"].to_numpy()).assign(
        case=lacking["case"].to_numpy()
    )
    found = found.sort_values(["source_file", "source_line"])
    cases = found.groupby("source_file")["case"].nunique()
    first = found.drop_duplicates("source_file")
    number = first["source_file"].map(cases)
    about = findings.CATALOGUE["readings_not_passive"]
    message = [
        f"{count} {'case' if count == 1 else 'cases'}: {about.cause} {about.remedy}" for count in number
    ]
    return _told(first.assign(message=message), "measurements", "mode", "readings_not_passive")


def _at_records(accepted: Accepted, name: str, rows: np.ndarray) -> pd.DataFrame:
    """`site, record_id, source_file, source_line` of accepted rows."""
    import pandas as pd
    import pyarrow as pa

    columns = ["site", ID_COLUMN[name], "source_number", "source_line"]
    own = accepted.tables[name].select(columns).take(pa.array(rows, pa.int64())).to_pandas()
    files = np.array([source.source_file for source in accepted.sources], dtype=object)
    return pd.DataFrame(
        {
            "site": own["site"],
            "record_id": own[ID_COLUMN[name]],
            "source_file": files[own["source_number"].to_numpy(np.int64)],
            "source_line": own["source_line"],
        }
    )


def _told(found: pd.DataFrame, table: str, column: str, rule: str) -> pd.DataFrame:
    action = findings.CATALOGUE[rule].action
    return findings.tidy(found.assign(table=table, column=column, rule=rule, action=action))
