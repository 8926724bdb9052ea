"""What the lists behind printed numbers are made from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from schemas.exports import ID_COLUMN

if TYPE_CHECKING:
    import pyarrow as pa

    from pipeline.audit import Analysed
    from pipeline.handover import Accepted
    from pipeline.publish.lists import Lists
    from pipeline.publish.numbers import Register
    from pipeline.publish.numbers.answers import Answers
    from pipeline.publish.numbers.news import News
    from pipeline.run import Accounted


def listing(rows: Accounted, result: Analysed, tables: Mapping[str, pd.DataFrame | pa.Table]) -> Register:
    """A register that knows the counted cases, asked for nothing yet.

    Args:
        rows: Records, settings and catalogue in force.
        result: The cases.
        tables: As they are published.
    """
    import pyarrow as pa

    from pipeline.publish.numbers import Register
    from pipeline.publish.numbers.facts import CaseFacts
    from pipeline.publish.numbers.received import Received

    ground = rows.ground
    lists = result.lists
    facts = CaseFacts(
        result.cases,
        lists.case_names.filter(pa.array(lists.cases["counted"].to_numpy().astype(bool))),
        ground.settings,
        ground.catalogue,
        _news(rows, result, lists),
        Received(
            _places_of(rows.validated.accepted),
            rows.validated.quarantined,
            rows.resolved.fates,
            tables["records"],
        ),
        _answers(result, lists),
    )
    return Register(facts)


def _places_of(accepted: Accepted) -> Accepted:
    """Accepted rows by id, file and line alone, so that nothing else of them is kept while the edition is written."""
    tables = {
        name: table.select([ID_COLUMN[name], "source_number", "source_line"])
        for name, table in accepted.tables.items()
    }
    return replace(accepted, tables=tables)


def _answers(result: Analysed, lists: Lists) -> Answers:
    from pipeline.publish.numbers.answers import Answers

    decided = result.whole.decided
    pairs = decided[decided["one"] >= 0]
    return Answers(
        lists.ids_of(pairs["case"]) if len(pairs) else np.zeros(0, dtype=object),
        lists.named(lists.labels.categories, pairs["category"]),
        pairs["one"].to_numpy() == 1,
        pairs["two"].to_numpy() == 1,
        np.flatnonzero(result.reviewed.unmentioned[result.whole.cases["counted"].to_numpy().astype(bool)]),
    )


def _news(rows: Accounted, result: Analysed, lists: Lists) -> News:
    from pipeline.of_period import decisions_of_period, operations_of_period
    from pipeline.publish.numbers.news import News

    operations = operations_of_period(rows.resolved.facts, rows.ground)
    decided = decisions_of_period(result.whole, rows)
    cases = result.whole.cases.iloc[decided["case"]]
    return News(
        rows.ground.period,
        _named_operations(operations, lists),
        pd.DataFrame(
            {
                "case_id": lists.ids_of(decided["case"]) if len(decided) else np.zeros(0, dtype=object),
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
