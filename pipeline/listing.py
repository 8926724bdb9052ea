"""What the lists behind printed numbers are made from."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    import pyarrow as pa

    from pipeline.audit import Analysed
    from pipeline.publish.lists import Lists
    from pipeline.publish.numbers import Register
    from pipeline.publish.numbers.news import News
    from pipeline.run import Accounted


def listing(rows: Accounted, result: Analysed, tables: Mapping[str, pd.DataFrame | pa.Table]) -> Register:
    """A register that knows the counted cases, asked for nothing yet.

    Args:
        rows: Records, settings and catalogue in force.
        result: The cases.
        tables: As they are published; `cases` tells what each case is called.
    """
    from pipeline.publish.numbers import Register
    from pipeline.publish.numbers.facts import CaseFacts

    ground = rows.ground
    case_ids = tables["cases"]["case_id"].to_numpy(dtype=object)
    facts = CaseFacts(result.cases, case_ids, ground.settings, ground.catalogue, _news(rows, result))
    return Register(facts)


def _news(rows: Accounted, result: Analysed) -> News:
    from pipeline.edition_tables import lists_of
    from pipeline.of_period import decisions_of_period, operations_of_period
    from pipeline.publish.numbers.news import News

    lists = lists_of(rows, result.labels, result.whole)
    operations = operations_of_period(rows.resolved.facts, rows.ground)
    decided = decisions_of_period(result.whole, rows)
    cases = result.whole.cases.iloc[decided["case"]]
    return News(
        rows.ground.period,
        _named_operations(operations, lists),
        pd.DataFrame(
            {
                "case_id": lists.case_ids[decided["case"]] if len(decided) else np.zeros(0, dtype=object),
                "group": cases["group"].to_numpy(),
                **{name: decided[name].to_numpy() for name in ("category", "decided", "verdict")},
            }
        ),
    )


def _named_operations(operations: pd.DataFrame, lists: Lists) -> pd.DataFrame:
    """`operation_id` with its site, `group`, `day` and `reference`, sorted by the first."""
    own = operations.rename(columns={"procedure": "group"}).assign(table="operations")
    ids = lists.texts("operations", "operation_id", own["row"].to_numpy())
    named = own.assign(
        operation_id=lists.named(lists.labels.sites, own["site"]) + "." + ids if len(own) else "",
        reference=lists.references(own),
    )
    return named.sort_values(["operation_id", "row"], ignore_index=True)
