"""Row accounting: every row that was read ends in exactly one place.

    rows_read = accepted + quarantined + superseded + duplicate + withdrawn + non_data + not_selected + refused + removed

The left side was counted from the bytes before anything was parsed; the right side is counted from the frames
that went on. A difference stops the run.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pipeline.catalogue import Catalogue
from pipeline.errors import CannotFinish
from pipeline.handover import (
    AWAITING,
    CONFLICTING,
    COUNTED,
    DUPLICATE,
    KEPT,
    NEVER,
    RECORD_TABLES,
    SUPERSEDED,
    WITHDRAWN,
    Facts,
    Validated,
)
from pipeline.settings import Settings

if TYPE_CHECKING:
    from pipeline.counts import Counts
    from pipeline.parts import Whole

PLACES = (
    "accepted",
    "quarantined",
    "superseded",
    "duplicate",
    "withdrawn",
    "non_data",
    "not_selected",
    "refused",
    "removed",
)
#: Steps of the flow that count sittings which opened a case, those before the first date counted among them.
OPENED = (36, 40)
BY_FATE = {"accepted": KEPT, "superseded": SUPERSEDED, "duplicate": DUPLICATE, "withdrawn": WITHDRAWN}


def ledger_of(validated: Validated, fates: dict[str, np.ndarray]) -> pd.DataFrame:
    """One row a file, sheet and table, with where its rows are in this edition.

    Raises:
        CannotFinish: The rows of a file do not add up.
    """
    sources = validated.accepted.sources
    known = (
        "site",
        "receipt",
        "source_file",
        "sheet",
        "table",
        "sha256",
        "rows_read",
        "non_data",
        "not_selected",
    )
    ledger = pd.DataFrame({name: [getattr(source, name) for source in sources] for name in known})
    ledger["refused"] = [source.refused for source in sources]
    ledger["reason"] = [source.reason for source in sources]
    ledger["removed"] = [source.removed for source in sources]
    for place, fate in BY_FATE.items():
        ledger[place] = _rows_with_fate(validated, fates, fate)
    ledger["quarantined"] = _rows_with_fate(validated, fates, CONFLICTING) + _held_back(validated)
    _check_identity(ledger)
    return _a_line_a_table(ledger)


def _a_line_a_table(ledger: pd.DataFrame) -> pd.DataFrame:
    """Several entries of a mapping that feed one table from one file or sheet are one line."""
    key = ["site", "receipt", "source_file", "sheet", "table", "sha256"]
    whole = ledger.groupby(key, sort=False, as_index=False)[["rows_read", *PLACES]].sum()
    reasons = ledger.groupby(key, sort=False)["reason"].agg(
        lambda each: "; ".join(dict.fromkeys(filter(None, each)))
    )
    return whole.assign(reason=reasons.to_numpy())


def _rows_with_fate(validated: Validated, fates: dict[str, np.ndarray], fate: int) -> np.ndarray:
    counted = np.zeros(len(validated.accepted.sources), dtype=np.int64)
    for name, table in validated.accepted.tables.items():
        source = table["source_number"].to_numpy()[fates[name] == fate]
        counted += np.bincount(source, minlength=len(counted)).astype(np.int64)
    return counted


def _held_back(validated: Validated) -> np.ndarray:
    counted = np.zeros(len(validated.accepted.sources), dtype=np.int64)
    for table in validated.quarantined.values():
        counted += np.bincount(table["source_number"].to_numpy(), minlength=len(counted)).astype(np.int64)
    return counted


def _check_identity(ledger: pd.DataFrame) -> None:
    total = ledger[list(PLACES)].sum(axis=1)
    wrong = ledger[total != ledger["rows_read"]]
    if len(wrong):
        first = wrong.iloc[0]
        raise CannotFinish(
            f"{first['source_file']}: {first['rows_read']} rows were read but {total[wrong.index[0]]} are accounted for. "
            "Nothing was written. This is a fault of the program, not of the export: keep the file and report it."
        )


def check_nothing_lost(
    facts: Facts, standing: dict[str, np.ndarray], whole: Whole, catalogue: Catalogue
) -> None:
    """Every record that stands is with a case, awaits a link, or is listed; every case and complication is there.

    Args:
        standing: Table → rows that stand on the cut, counted before the facts were built.

    Raises:
        CannotFinish: A record is in none of these places, or a frame has not the rows that another says.
    """
    for name in RECORD_TABLES:
        _same_rows(name, standing[name], getattr(facts, name)["row"].to_numpy(), "became facts")
    for name in RECORD_TABLES[1:]:
        found = [part[part["table"] == name]["row"] for part in (whole.records, whole.unattributed)]
        shared = whole.shared_visits["row"] if name == "followups" else whole.shared_visits["row"].iloc[:0]
        own = getattr(facts, name)["row"].to_numpy()
        _same_rows(name, own, _distinct(np.concatenate([*found, shared]), own), "were attributed")
    opened = int(whole.flow.loc[whole.flow["order"].isin(OPENED), "count"].sum())
    if opened != len(whole.cases):
        raise _fault(f"{opened} sittings opened a case, but there are {len(whole.cases)} cases.")
    _check_evidence(whole)
    _check_any(whole, catalogue)


def _check_evidence(whole: Whole) -> None:
    """Each complication rests on as many pieces of evidence as it says, and no evidence is without one."""
    key = ["case", "category", "level"]
    stated = whole.complications.loc[whole.complications["pieces"] > 0].set_index(key)["pieces"]
    there = whole.evidence.groupby(key).size()
    if not stated.sort_index().equals(there.sort_index().astype("int64").rename("pieces")):
        raise _fault(
            f"{len(stated)} complications rest on evidence, {len(there)} are found there, or not all of it."
        )


def _check_any(whole: Whole, catalogue: Catalogue) -> None:
    """A case has any complication, counted or awaiting, exactly where a category's main level is."""
    members = [number for number, entry in enumerate(catalogue.complications.values()) if entry.in_any]
    rows = whole.complications[whole.complications["status"].isin([COUNTED, AWAITING])]
    main = rows[(rows["level"] == 0) & rows["category"].isin(members)]
    anything = rows[rows["category"] == len(catalogue.complications)]
    expected, found = (set(zip(part["case"], part["status"], strict=True)) for part in (main, anything))
    if expected != found:
        raise _fault(
            f"{len(expected)} cases have a complication counted or awaiting, {len(found)} are listed as such."
        )


def check_all_counted(counts: Counts, whole: Whole, settings: Settings) -> None:
    """Closed cases and those with any complication, counted from the lists, are those in the cells.

    Raises:
        CannotFinish: They differ.
    """
    cases = whole.cases
    rows = whole.complications
    anything = rows[(rows["category"] == counts.defined.shape[1] - 1) & (rows["status"] == COUNTED)]
    day = np.full(len(cases), int(NEVER), dtype=np.int64)
    np.minimum.at(day, anything["case"].to_numpy(), anything["day"].to_numpy())
    for window in settings.windows:
        ends = cases["performed"].to_numpy(np.int64) + window.days + window.grace
        closed = (ends <= cases["known_until"].to_numpy(np.int64)) & cases["counted"].to_numpy(bool)
        column = (counts.outcomes.category == counts.defined.shape[1] - 1) & (
            counts.outcomes.window_days == window.days
        )
        found = [int(counts.cells[name][:, column].sum()) for name in ("cases", "events")]
        expected = [int(closed.sum()), int((closed & (day <= window.days)).sum())]
        if found != expected:
            raise _fault(
                f"Window {window.days}: {expected} closed cases and events are listed, {found} were counted."
            )


def _distinct(rows: np.ndarray, likely: np.ndarray) -> np.ndarray:
    """Each row once, in rising order."""
    marked = np.zeros(1 + max(rows.max(initial=0), likely.max(initial=0)), dtype=bool)
    marked[rows.astype(np.int64)] = True
    return np.flatnonzero(marked)


def _same_rows(name: str, expected: np.ndarray, found: np.ndarray, what: str) -> None:
    among_found, among_expected = np.zeros(
        (2, 1 + max(expected.max(initial=0), found.max(initial=0))), dtype=bool
    )
    among_found[found], among_expected[expected] = True, True
    if len(found) != len(expected) or (among_found != among_expected).any():
        raise _fault(f"{len(expected)} rows of {name} stand, but {len(found)} {what}.")


def _fault(what: str) -> CannotFinish:
    return CannotFinish(
        f"{what} Nothing was written. This is a fault of the program, not of the export: keep the files and report it."
    )
