"""The list of evidence: what each record speaks for, how strongly, and why it may count for nothing."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.catalogue import Catalogue
from pipeline.handover import KINDS, STATUSES, STRENGTHS
from pipeline.publish.records_list import Known
from schemas.exports import ID_COLUMN
from schemas.tracing import EVIDENCE_USES

OF_RECORD = ["case", "category", "table", "row"]
USED, AWAITS, TOO_SOON, PRE_EXISTING, CANNOT_OCCUR, NOT_ENOUGH = range(len(EVIDENCE_USES))
BLOCKED = {STATUSES.index(EVIDENCE_USES[use]): use for use in (PRE_EXISTING, CANNOT_OCCUR)}


def evidence_list(known: Known, catalogue: Catalogue) -> pd.DataFrame:
    """The published `evidence`: one row a record, case and category, of the cases that are listed."""
    lists, whole = known.lists, known.whole
    counted = lists.cases["counted"].to_numpy().astype(bool)
    own = _strongest(whole.spoken[counted[whole.spoken["case"].to_numpy()]])
    levels = _levels_used(own, whole.evidence)
    day = own["day"].to_numpy()
    ids, files, lines = _places(known, own)
    return pd.DataFrame(
        {
            "case_id": lists.case_ids[own["case"]] if len(own) else [],
            "category": lists.named(lists.labels.categories, own["category"]),
            "table": own["table"],
            "record_id": ids,
            "day": pd.Series(day, dtype="Int64").mask(day < 0).array,
            "kind": lists.named(KINDS, own["kind"]),
            "strength": lists.named(STRENGTHS, own["strength"]),
            "use": np.array(EVIDENCE_USES, dtype=object)[_uses(own, levels, catalogue)],
            "levels": _level_words(own["category"].to_numpy(), levels, lists.labels.levels),
            "source_file": files,
            "source_line": lines,
        }
    )


def _strongest(spoken: pd.DataFrame) -> pd.DataFrame:
    """One row a record, case and category: what may count before what may not, the strongest first."""
    ranked = spoken.assign(hindered=spoken["blocked"] >= 0).sort_values(
        [*OF_RECORD, "hindered", "strength", "after", "kind"], ascending=[True] * 5 + [False] * 2 + [True]
    )
    return ranked.drop_duplicates(OF_RECORD, ignore_index=True)


def _levels_used(own: pd.DataFrame, evidence: pd.DataFrame) -> np.ndarray:
    """Of each row the levels it counts for, as bits; 0 for none."""
    used = evidence[evidence["used"].astype(bool)]
    bits = used.assign(bit=np.left_shift(1, used["level"].to_numpy(np.int64)))
    bits = bits.drop_duplicates([*OF_RECORD, "bit"]).groupby(OF_RECORD)["bit"].sum().reset_index()
    found = own[OF_RECORD].merge(bits, how="left", on=OF_RECORD)["bit"]
    return found.fillna(0).to_numpy(np.int64)


def _uses(own: pd.DataFrame, levels: np.ndarray, catalogue: Catalogue) -> np.ndarray:
    first_day = np.array([entry.first_day for entry in catalogue.complications.values()] or [0])
    day = own["day"].to_numpy()
    early = (day >= 0) & (day < first_day[own["category"]]) & ~own["after"].to_numpy(dtype=bool)
    hindered = own["blocked"].map(BLOCKED).fillna(-1).to_numpy()
    pending = own["pending"].to_numpy(dtype=bool)
    return np.select(
        [pending, levels > 0, hindered == PRE_EXISTING, early, hindered == CANNOT_OCCUR],
        [AWAITS, USED, PRE_EXISTING, TOO_SOON, CANNOT_OCCUR],
        NOT_ENOUGH,
    )


def _level_words(category: np.ndarray, levels: np.ndarray, names: tuple[tuple[str, ...], ...]) -> np.ndarray:
    """Names of levels joined by `;`, made once a category and set of levels."""
    pairs, place = np.unique(np.stack([category, levels], axis=1), axis=0, return_inverse=True)
    told = [
        ";".join(name for number, name in enumerate(names[c]) if bits >> number & 1)
        for c, bits in pairs.tolist()
    ]
    return np.array([*told, ""], dtype=object)[place.reshape(-1)]


def _places(known: Known, own: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Id, file and line of each record; patients have no id here."""
    ids, files = (np.full(len(own), None, dtype=object) for _ in range(2))
    lines = np.zeros(len(own), dtype=np.int64)
    for table in sorted(own["table"].unique()):
        here = (own["table"] == table).to_numpy()
        rows = own["row"].to_numpy()[here]
        place = known.lists.places(table, rows)
        files[here], lines[here] = place["source_file"], place["source_line"]
        if table != "patients":
            ids[here] = known.lists.texts(table, ID_COLUMN[table], rows)
    return ids, files, lines
