"""The list of evidence: what each record speaks for, how strongly, and why it may count for nothing."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline.catalogue import Catalogue
from pipeline.handover import KINDS, STATUSES, STRENGTHS
from pipeline.publish.coded import begins, coded, places_among, whole
from pipeline.publish.lists import TABLES, Lists
from pipeline.publish.records_list import Known
from pipeline.publish.tables import in_order
from schemas.published import PUBLISHED
from schemas.tracing import EVIDENCE_USES

USED, AWAITS, TOO_SOON, PRE_EXISTING, CANNOT_OCCUR, NOT_ENOUGH = range(len(EVIDENCE_USES))
BLOCKED = {STATUSES.index(EVIDENCE_USES[use]): use for use in (PRE_EXISTING, CANNOT_OCCUR)}


def evidence_list(known: Known, catalogue: Catalogue) -> pa.Table:
    """The published `evidence`, as it is written: one row a record, case and category, of the cases that are listed."""
    lists, whole_run = known.lists, known.whole
    counted = lists.cases["counted"].to_numpy().astype(bool)
    spoken = whole_run.spoken
    listed = spoken[counted[spoken["case"].to_numpy()]]
    number, own = _strongest(_numbers(listed, lists), listed)
    levels = _levels_used(number, whole_run.evidence, lists)
    day = own["day"].to_numpy()
    columns = {
        "case_id": lists.ids(own["case"]),
        "category": coded(lists.labels.categories, own["category"]),
        "table": coded(TABLES, own["table"].map({name: at for at, name in enumerate(TABLES)})),
        "record_id": lists.record_ids(own),
        "day": whole(day, day < 0),
        "kind": coded(KINDS, own["kind"]),
        "strength": coded(STRENGTHS, own["strength"]),
        "use": coded(EVIDENCE_USES, _uses(own, levels, catalogue)),
        "levels": _level_words(own["category"].to_numpy(), levels, lists.labels.levels),
        **lists.places_of(own),
    }
    return in_order(pa.table(columns), PUBLISHED["evidence"])


def _numbers(frame: pd.DataFrame, lists: Lists) -> np.ndarray:
    """`case, category, table, row` as one number."""
    found: np.ndarray = lists.pairs(frame["case"], frame["category"]) * lists.records_below
    return found + lists.record_numbers(frame)


def _strongest(number: np.ndarray, spoken: pd.DataFrame) -> tuple[np.ndarray, pd.DataFrame]:
    """One row a record, case and category: what may count before what may not, the strongest first."""
    strength, after, kind, blocked = (
        spoken[name].to_numpy(np.int64) for name in ("strength", "after", "kind", "blocked")
    )
    order = np.lexsort((kind, -after, -strength, blocked >= 0, number))
    kept = order[begins(number[order])]
    return number[kept], spoken.iloc[kept]


def _levels_used(number: np.ndarray, evidence: pd.DataFrame, lists: Lists) -> np.ndarray:
    """Of each row the levels it counts for, as bits; 0 for none."""
    used = evidence[evidence["used"].to_numpy().astype(bool)]
    theirs = _numbers(used, lists)
    order = np.argsort(theirs, kind="stable")
    theirs, bits = theirs[order], np.left_shift(1, used["level"].to_numpy(np.int64)[order])
    first = np.flatnonzero(begins(theirs))
    held = np.append(np.bitwise_or.reduceat(bits, first) if len(first) else bits, 0)
    found: np.ndarray = held[places_among(number, theirs[first])]
    return found


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


def _level_words(
    category: np.ndarray, levels: np.ndarray, names: tuple[tuple[str, ...], ...]
) -> pa.DictionaryArray:
    """Names of levels joined by `;`, made once a category and set of levels; null for none."""
    most = 2 ** max(map(len, names))
    distinct, place = np.unique(category * most + levels, return_inverse=True)
    pairs = (divmod(number, most) for number in distinct.tolist())
    told = [";".join(name for at, name in enumerate(names[c]) if bits >> at & 1) for c, bits in pairs]
    return coded(told, np.where(levels > 0, place, -1))
