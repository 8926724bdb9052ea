"""The published `flow`: from rows received to cases analysed, each step with what came, went and stayed."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.errors import CannotFinish
from pipeline.handover import CONFLICTING, DUPLICATE, KEPT, SUPERSEDED, WITHDRAWN, Validated

ALL = -1
COLUMNS = ["site", "procedure", "step", "unit", "before", "added", "removed", "after", "reason"]

#: order → (step, unit, reason, sign): 0 a balance, -1 removed, +1 added.
STEPS: dict[int, tuple[str, str, str, int]] = {
    1: ("rows of operations received", "row", "", 0),
    2: ("headings, totals and blank lines", "row", "no records", -1),
    3: ("not selected by the mapping", "row", "the mapping asks for other rows", -1),
    4: ("refused with their file", "row", "the file could not be used", -1),
    14: ("left out on request", "row", "patients asked for it", -1),
    5: ("held back", "row", "a fault in the row", -1),
    6: ("older versions", "row", "a correction replaced them", -1),
    7: ("sent again unchanged", "row", "the same record", -1),
    8: ("withdrawn", "row", "the sender took them back", -1),
    9: ("after the cut", "row", "later than this edition", -1),
    10: ("operation rows that stand on the cut", "row", "", 0),
    11: ("booked, cancelled or abandoned", "row", "no operation took place", -1),
    12: ("code not in the catalogue", "row", "the operation is not audited", -1),
    20: ("performed operations of the catalogue", "row", "", 0),
    21: (
        "second side of bilateral operations, and rows named by a listed code",
        "side",
        "each side is a case",
        1,
    ),
    22: ("further rows of the same sitting", "side", "one case a sitting", -1),
    30: ("sittings", "sitting", "", 0),
    31: ("unplanned returns to theatre", "sitting", "belong to an earlier case", -1),
    32: ("planned stages and removals", "sitting", "agreed with the first operation", -1),
    33: ("planned only later, to be reviewed", "sitting", "belong to an earlier case", -1),
    34: ("later operations without sedation", "sitting", "belong to an earlier case, no return", -1),
    35: ("received from elsewhere", "sitting", "others operated first; listed as unattributed", -1),
    38: (
        "without a case of ours",
        "sitting",
        "other side or joint, or before the first; listed as unattributed",
        -1,
    ),
    36: ("before the first date counted", "sitting", "count_from of the settings", -1),
    37: ("awaiting a link", "sitting", "people must say to which case they belong", -1),
    40: ("index cases", "case", "", 0),
}

#: Steps that only say how many there are, and those that add.
BALANCES = frozenset(step for order, (step, _, _, sign) in STEPS.items() if sign == 0 and order > 1)
ADDING = frozenset(step for step, _, _, sign in STEPS.values() if sign > 0)


def received_steps(
    validated: Validated, fates: np.ndarray, stands: np.ndarray, sites: tuple[str, ...]
) -> pd.DataFrame:
    """Counts of the steps before anything is known of the operation: `site` (position), `procedure` ALL, `order`, `count`.

    Args:
        fates: Of the accepted rows of operations.
        stands: Rows of operations that stand on the cut.
    """
    table = validated.accepted.tables["operations"]
    row_site = pc.index_in(table["site"].cast(pa.string()), pa.array(sites, pa.string())).to_numpy()
    held = _positions(_held_back_at(validated, sites), sites)
    after_cut = (fates == KEPT) & ~np.isin(np.arange(len(fates)), stands)
    by_order = {
        5: np.append(held, row_site[fates == CONFLICTING]),
        6: row_site[fates == SUPERSEDED],
        7: row_site[fates == DUPLICATE],
        8: row_site[fates == WITHDRAWN],
        9: row_site[after_cut],
        10: row_site[stands],
    }
    counts = {order: np.bincount(found, minlength=len(sites)) for order, found in by_order.items()}
    for order, name in ((2, "non_data"), (3, "not_selected"), (4, "refused"), (14, "removed")):
        counts[order] = _of_files(validated, name, sites)
    counts[1] = np.sum(list(counts.values()), axis=0)
    frames = [
        pd.DataFrame({"site": np.arange(len(sites)), "procedure": ALL, "order": order, "count": count})
        for order, count in counts.items()
    ]
    return pd.concat(frames, ignore_index=True)


def _held_back_at(validated: Validated, sites: tuple[str, ...]) -> list[str]:
    """The site of each row held back; one nobody knows is that of its folder."""
    held = validated.quarantined["operations"]
    folders = [validated.accepted.sources[number].site for number in held["source_number"].to_pylist()]
    return [
        site if site in sites else folder
        for site, folder in zip(held["site"].to_pylist(), folders, strict=True)
    ]


def _positions(names: list[str], sites: tuple[str, ...]) -> np.ndarray:
    place = {site: number for number, site in enumerate(sites)}
    return np.array([place[name] for name in names], dtype=np.int64)


def _of_files(validated: Validated, name: str, sites: tuple[str, ...]) -> np.ndarray:
    counted = np.zeros(len(sites), dtype=np.int64)
    for source in validated.accepted.sources:
        if source.table == "operations":
            counted[sites.index(source.site)] += getattr(source, name)
    return counted


def flow_table(counts: pd.DataFrame, sites: tuple[str, ...], groups: tuple[str, ...]) -> pd.DataFrame:
    """Chains by site and procedure (`all` from rows received, each procedure from its performed operations).

    Raises:
        CannotFinish: A step does not add up.
    """
    whole = counts[counts["order"] >= 20].assign(procedure=ALL)
    parts = pd.concat([counts, whole], ignore_index=True)
    summed = parts.groupby(["site", "procedure", "order"])["count"].sum().reset_index()
    chains = [_chain(own, sites, groups) for _, own in summed.groupby(["site", "procedure"])]
    rows = [row for chain in chains for row in chain]
    return pd.DataFrame(rows, columns=COLUMNS)


def _chain(own: pd.DataFrame, sites: tuple[str, ...], groups: tuple[str, ...]) -> list[list[object]]:
    site, procedure = (int(own[name].iloc[0]) for name in ("site", "procedure"))
    count = dict(zip(own["order"], own["count"], strict=True))
    name = "all" if procedure == ALL else groups[procedure]
    rows: list[list[object]] = []
    balance = 0
    for order, (step, unit, reason, sign) in STEPS.items():
        if procedure != ALL and order < 20:
            continue
        moved = int(count.get(order, 0))
        begins = not rows
        added = moved if begins or sign > 0 else 0
        removed = moved if sign < 0 else 0
        after = balance + added - removed
        if sign == 0 and after != moved:
            raise CannotFinish(
                f"{sites[site]}, {name}: {after} counted up to `{step}`, but there are {moved}. Nothing was written. "
                "This is a fault of the program, not of the export: keep the files and report it."
            )
        if moved or sign == 0:
            rows.append([sites[site], name, step, unit, balance, added, removed, after, reason])
        balance = after
    return rows
