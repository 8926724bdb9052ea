"""Numbers of the way from rows to cases, each leading to the rows that a step takes, brings or leaves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.publish import words
from pipeline.publish.context import Context
from pipeline.publish.flow_table import STEPS
from pipeline.publish.rows_behind import ROW_BY_ROW, by_table, in_print, linked_rows

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.publish.numbers.received import Received
    from pipeline.publish.rows_behind import ByTable

ORDERS = {step: order for order, (step, _, _, _) in STEPS.items()}
RECEIVED, AFTER_CUT, STANDING, SECOND_SIDES = 1, 9, 10, 21
#: Order of a step before it is known which rows stand → column of the ledger that counts them.
BY_FILE = {
    1: "rows_read", 2: "non_data", 3: "not_selected", 4: "refused", 14: "removed", 5: "quarantined", 6: "superseded",
    7: "duplicate", 8: "withdrawn",
}  # fmt: skip
PAGE = "Operations on the way to cases"


def linked_steps(
    steps: pd.DataFrame, tables: Mapping[str, pd.DataFrame], context: Context
) -> dict[str, pd.Series]:
    """`added`, `removed` and `after` of steps in print; what there was before a step is what the one above it left.

    Args:
        steps: Of `flow`, all procedures together, each site's in their order.
        tables: As published; the ledger counts rows that have no line of their own.
    """
    facts, ledger = context.lists.facts, tables.get("ledger")
    if facts is None or facts.received is None or ledger is None:
        return {}
    known = by_table(ledger)
    ways = {
        str(site): _Way(
            facts.received, known, str(site), [ORDERS[str(step)] for step in own["step"]], context
        )
        for site, own in steps.groupby("site", sort=False)
    }
    rows = steps.to_dict("records")
    return {
        name: in_print(
            [ways[str(row["site"])].told(row[name], name, str(row["step"])) for row in rows], steps
        )
        for name in ("added", "removed", "after")
    }


@dataclass(frozen=True)
class _Way:
    """One site's way: its steps by their orders."""

    received: Received
    ledger: ByTable
    site: str
    orders: Sequence[int]
    context: Context

    def told(self, number: object, name: str, step: str) -> str:
        """A number of a step in print, as a link where its rows are known."""
        order = ORDERS[step]
        if not number:
            return words.count(number)
        if order == RECEIVED or (name == "removed" and order in BY_FILE):
            return linked_rows(number, self.ledger, self.site, "operations", BY_FILE[order], self.context)
        rows = self._rows(name, order)
        if rows is None:
            return words.count(number)
        called = {"added": "", "removed": "", "after": "left after "}[name] + words.plain(step)
        title = f"{words.names(self.context).site(self.site)}: {called}"
        return self.context.lists.rows(words.count(number), PAGE, title, tuple(map(str, rows.columns)), rows)

    def _rows(self, name: str, order: int) -> pd.DataFrame | None:
        if name == "added":
            return self.received.second_sides(self.site) if order == SECOND_SIDES else None
        if name == "removed":
            return self.received.taken(self.site, order)
        later = self.orders[self.orders.index(order) + 1 :]
        if order != STANDING and STANDING in later:
            return self._still_there(later[: later.index(STANDING)])
        gone = [each for each in self.orders if each > STANDING and each not in later]
        return self.received.left(self.site, order, [each for each in gone if STEPS[each][3] < 0])

    def _still_there(self, later: Sequence[int]) -> pd.DataFrame | None:
        """Rows that stand, and those that later steps take away before."""
        import pandas as pd

        parts = [self.received.left(self.site, STANDING, [])]
        for order in later:
            place = BY_FILE.get(order, "")
            if order != AFTER_CUT and place not in ROW_BY_ROW:
                return None
            parts.append(
                self.received.ended(self.site, "operations", place)
                if place
                else self.received.taken(self.site, order)
            )
        return pd.concat(parts, ignore_index=True)
