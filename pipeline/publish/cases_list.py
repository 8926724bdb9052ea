"""The list of cases: a row for every operation counted, as it is written."""

from __future__ import annotations

import numpy as np
import pyarrow as pa

from pipeline.handover import NEVER, SIDES
from pipeline.publish.chains import concomitant_of, returns_of
from pipeline.publish.coded import coded, days, days_or_none, whole
from pipeline.publish.lists import Lists
from pipeline.publish.tables import in_order
from schemas.exports import EXPORTS
from schemas.published import PUBLISHED

SEXES = EXPORTS["operations"]["sex"].vocabulary


def cases_list(lists: Lists) -> pa.Table:
    """The published `cases`, as it is written."""
    labels = lists.labels
    counted = np.flatnonzero(lists.cases["counted"].to_numpy().astype(bool))
    cases = lists.cases.iloc[counted]
    row = pa.array(cases["row"].to_numpy())
    own = lists.accepted.tables["operations"]
    died = cases["died"].to_numpy()
    columns = {
        "case_id": lists.ids(counted),
        "site": coded(labels.sites, cases["site"], "unknown"),
        "operation_id": own["operation_id"].take(row).cast(pa.string()),
        "patient": whole(cases["patient"]),
        "side": coded(SIDES, cases["side"], "unknown"),
        "procedure": coded(labels.groups, cases["procedure"], "unknown"),
        "group": coded(labels.groups, cases["group"], "unknown"),
        "performed_on": days(cases["performed"]),
        "surgeon": coded(labels.surgeons, cases["surgeon"], "unattributed"),
        "fixation": coded(labels.fixations, cases["fixation"], "unknown"),
        "age_band": coded(labels.age_bands, cases["age_band"], "unknown"),
        "sex": coded(SEXES, cases["sex"], "unknown"),
        "isolated": pa.array(cases["isolated"].to_numpy().astype(bool)),
        "known_until": days_or_none(cases["known_until"]),
        "contact_until": whole(cases["contact_until"]),
        "records_until": whole(cases["records_until"].clip(lower=0)),
        "died": whole(died, died == NEVER),
        "source_file": coded(lists.files, own["source_number"].take(row).to_numpy()),
        "source_line": own["source_line"].take(row),
        "concomitant": concomitant_of(lists.concomitant, labels.groups, len(lists.cases)).take(
            pa.array(counted)
        ),
        "returns": whole(returns_of(lists.returns, len(lists.cases))[counted]),
    }
    return in_order(pa.table(columns), PUBLISHED["cases"])
