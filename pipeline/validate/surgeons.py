"""Surgeons of operations against the site's own list: zeros restored, days at work heeded, nobody ever reassigned.

The list is optional. A site without one keeps its ids as sent.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline import findings as catalogue
from pipeline.handover import Source
from pipeline.validate.report import joined_repairs, place_of
from schemas.findings import FINDINGS

if TYPE_CHECKING:
    import pandas as pd

FIRST_DAY, LAST_DAY = -(2**31), 2**31 - 1


class _Listed(NamedTuple):
    """An id of a site's list with the days from and to which its surgeon worked there."""

    surgeon: str
    first: int
    last: int


class Attributed(NamedTuple):
    """Operations whose surgeon is the listed one or nobody, what was said of them, and what was changed."""

    operations: pa.Table
    findings: pd.DataFrame
    repairs: pd.DataFrame


def attributed(operations: pa.Table, surgeons: pa.Table, sources: Sequence[Source]) -> Attributed:
    """The accepted operations with their surgeons held against the accepted lists of the same sites.

    Args:
        operations: Accepted operations of all sites.
        surgeons: Accepted lists; of several rows about one surgeon the last received stands.
        sources: Ledger lines by `source_number`.
    """
    lists = _lists(surgeons)
    named = operations.select(["site", "surgeon_id"]).filter(pc.is_valid(operations["surgeon_id"]))
    pairs = named.group_by(["site", "surgeon_id"]).aggregate([]).to_pylist() if lists else []
    verdicts = [(pair, *_verdict(pair, lists)) for pair in pairs if pair["site"] in lists]
    if not verdicts:
        return Attributed(operations, catalogue.empty(), joined_repairs([]))
    known = pa.array([f"{pair['site']}/{pair['surgeon_id']}" for pair, _, _ in verdicts])
    keys = pc.binary_join_element_wise(operations["site"], operations["surgeon_id"], "/")
    at = pc.fill_null(pc.index_in(keys, value_set=known), -1).to_numpy()
    rule = np.array([*(rule for _, rule, _ in verdicts), ""], dtype=object)[at]
    rule[_outside(operations, verdicts, at)] = "surgeon_inactive"
    after = np.array([*(found.surgeon if found else None for _, _, found in verdicts), None], dtype=object)[
        at
    ]
    after[np.isin(rule, ["surgeon_inactive", "surgeon_unclear"])] = None
    rows = np.flatnonzero(rule != "")
    changed = rows[rule[rows] != "surgeon_not_listed"]
    return Attributed(
        _with_surgeons(operations, changed, after[changed]),
        _findings(operations, rows, rule[rows], sources),
        _repairs(operations, changed, rule[changed], after[changed], sources),
    )


def _lists(surgeons: pa.Table) -> dict[str, dict[str, _Listed]]:
    """Site → id → days at work."""
    lists: dict[str, dict[str, _Listed]] = {}
    columns = ["site", "surgeon_id", "record_status"]
    days = {name: surgeons[name].cast(pa.int32()).to_pylist() for name in ("active_from", "active_to")}
    for row, first, last in zip(
        surgeons.select(columns).to_pylist(), days["active_from"], days["active_to"], strict=True
    ):
        own = lists.setdefault(row["site"], {})
        own.pop(row["surgeon_id"], None)
        if row["record_status"] != "withdrawn":
            listed = _Listed(row["surgeon_id"], FIRST_DAY, LAST_DAY)
            own[row["surgeon_id"]] = listed._replace(
                first=FIRST_DAY if first is None else first, last=LAST_DAY if last is None else last
            )
    return {site: own for site, own in lists.items() if own}


def _verdict(pair: dict[str, str], lists: dict[str, dict[str, _Listed]]) -> tuple[str, _Listed | None]:
    """The rule an id breaks (empty: none), and who of the list it is."""
    sent, own = pair["surgeon_id"], lists[pair["site"]]
    if sent in own:
        return "", own[sent]
    bare = sent.lstrip("0")
    alike = (
        [each for each in own if each.lstrip("0") == bare and len(each) > len(sent)] if sent.isdigit() else []
    )
    if len(alike) == 1:
        return "surgeon_zeros_restored", own[alike[0]]
    return ("surgeon_unclear" if alike else "surgeon_not_listed"), None


def _outside(
    operations: pa.Table, verdicts: Sequence[tuple[dict[str, str], str, _Listed | None]], at: np.ndarray
) -> np.ndarray:
    """Operations performed on a day outside those on which their surgeon worked at the site."""
    first = np.array([*(found.first if found else FIRST_DAY for _, _, found in verdicts), FIRST_DAY])[at]
    last = np.array([*(found.last if found else LAST_DAY for _, _, found in verdicts), LAST_DAY])[at]
    day = operations["performed_on"].cast(pa.int32()).to_numpy()
    done = pc.equal(operations["status"], "performed").to_numpy()
    return done & ((day < first) | (day > last))


def _with_surgeons(operations: pa.Table, rows: np.ndarray, surgeons: np.ndarray) -> pa.Table:
    if not len(rows):
        return operations
    here = np.zeros(operations.num_rows, dtype=bool)
    here[rows] = True
    column = operations.schema.get_field_index("surgeon_id")
    old = pa.concat_arrays(operations["surgeon_id"].chunks)
    new = pc.replace_with_mask(old, pa.array(here), pa.array(list(surgeons), pa.string()))
    return operations.set_column(column, "surgeon_id", new)


def _placed(operations: pa.Table, rows: np.ndarray, sources: Sequence[Source]) -> pd.DataFrame:
    """Where the rows stand, in the columns that findings and repairs share."""
    import pandas as pd

    taken = operations.select(["site", "source_number", "source_line", "operation_id", "surgeon_id"]).take(
        rows
    )
    files = np.array([place_of(source) for source in sources], dtype=object)
    return pd.DataFrame(
        {
            "site": taken["site"].to_pandas(),
            "source_file": files[taken["source_number"].to_numpy()],
            "source_line": taken["source_line"].to_numpy(),
            "table": "operations",
            "record_id": taken["operation_id"].to_pandas(),
            "column": "surgeon_id",
            "before": taken["surgeon_id"].to_pandas(),
        }
    )


def _findings(
    operations: pa.Table, rows: np.ndarray, rules: np.ndarray, sources: Sequence[Source]
) -> pd.DataFrame:
    warned = np.array([FINDINGS[rule].action == "warn" for rule in rules], dtype=bool)
    found = _placed(operations, rows[warned], sources).assign(rule=rules[warned])
    said = {rule: f"{FINDINGS[rule].title}. {FINDINGS[rule].remedy}" for rule in dict.fromkeys(rules[warned])}
    return catalogue.tidy(found.assign(value=found["before"], message=found["rule"].map(said), action="warn"))


def _repairs(
    operations: pa.Table,
    rows: np.ndarray,
    rules: np.ndarray,
    after: np.ndarray,
    sources: Sequence[Source],
) -> pd.DataFrame:
    placed = _placed(operations, rows, sources)
    return joined_repairs([placed.assign(rule=rules, after=[each or "" for each in after])])
