"""The list of cases: a row for every operation counted, so that its texts stay in Arrow."""

from __future__ import annotations

import pandas as pd
import pyarrow as pa

from pipeline.handover import NEVER, SIDES
from pipeline.publish.chains import concomitant_of, returns_of
from pipeline.publish.lists import Lists, days_or_none, in_arrow
from schemas.exports import EXPORTS

SEXES = EXPORTS["operations"]["sex"].vocabulary


def cases_list(lists: Lists) -> pd.DataFrame:
    """The published `cases`."""
    labels = lists.labels
    counted = lists.cases["counted"].to_numpy().astype(bool)
    cases = lists.cases[counted].reset_index(drop=True)
    rows = pa.array(cases["row"].to_numpy())
    operations = lists.accepted.tables["operations"]
    own = operations.select(["operation_id", "source_number", "source_line"]).take(rows)
    files = tuple(source.source_file for source in lists.accepted.sources)
    died = cases["died"].to_numpy()
    return pd.DataFrame(
        {
            "case_id": in_arrow(lists.case_names.filter(pa.array(counted))),
            "site": lists.worded(labels.sites, cases["site"]),
            "operation_id": in_arrow(own["operation_id"].cast(pa.string())),
            "patient": cases["patient"],
            "side": lists.worded(SIDES, cases["side"]),
            "procedure": lists.worded(labels.groups, cases["procedure"]),
            "group": lists.worded(labels.groups, cases["group"]),
            "performed_on": cases["performed"].to_numpy().astype("datetime64[D]"),
            "surgeon": lists.worded(labels.surgeons, cases["surgeon"], "unattributed"),
            "fixation": lists.worded(labels.fixations, cases["fixation"]),
            "age_band": lists.worded(labels.age_bands, cases["age_band"]),
            "sex": lists.worded(SEXES, cases["sex"]),
            "isolated": cases["isolated"].astype(bool),
            "known_until": days_or_none(cases["known_until"].to_numpy()),
            "contact_until": cases["contact_until"],
            "records_until": cases["records_until"].clip(lower=0),
            "died": pd.Series(died, dtype="Int64").mask(died == NEVER),
            "source_file": lists.worded(files, own["source_number"].to_numpy()),
            "source_line": own["source_line"].to_numpy(),
            "concomitant": concomitant_of(lists.concomitant, labels.groups, len(counted))[counted],
            "returns": returns_of(lists.returns, len(counted))[counted],
        }
    )
