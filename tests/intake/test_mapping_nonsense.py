"""Mappings with anything anywhere: they are read, or refused with file and line, and nothing else ever happens."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.errors import WrongUse
from pipeline.intake import load_mapping

WHOLE: dict[str, Any] = {
    "contract": 1,
    "date_order": "DMY",
    "timezone": "Europe/Dublin",
    "table": [
        {
            "table": "operations",
            "file": "t*.csv",
            "received_from": date(2026, 1, 1),
            "received_until": date(2026, 2, 1),
            "columns": {"operation_id": ["a", "b"], "patient_id": "Pt"},
            "values": {"side": {"R": "right"}, "age_years": {"x": "3"}},
            "missing": {"asa_class": ["9"]},
            "constants": {"sex": "unknown", "performed_on": date(2026, 1, 1)},
            "where": {"S": ["D"]},
            "delimiter": ";",
            "header_row": 2,
            "excel_base": 1900,
            "year_pivot": 50,
            "id_scope": "year",
            "encoding": "cp1252",
        },
        {
            "table": "events",
            "file": "r.csv",
            "id_from": ["id", "enum"],
            "dates": {"occurred_on": {"from": "r", "plus_days": "t"}},
            "site_from": "c",
            "values": {"site_id": {"1": "n"}},
        },
        {
            "table": "measurements",
            "file": "m*.xlsx",
            "sheet": "A",
            "unpivot": {"column": "measure", "value": "value", "of": {"FF": "flexion"}},
        },
    ],
}
ANYTHING: list[Any] = [
    "", " ", "a", "lft", "right", "../x", "*", "utf-8", "undefined", "\x00", "\x7f", "é" * 300, 0, -1, 10**25, 1.5,
    float("nan"), True, [], [[]], [{}], ["a", "a"], ["", 1], {}, {"a": "b"}, {"a": {"b": "c"}}, date(2026, 1, 1),
    datetime(2026, 1, 1, 1), time(1),
]  # fmt: skip


def written(value: Any) -> str:
    """A value as TOML."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(key)} = {written(below)}" for key, below in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(written, value)) + "]"
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, bool | str):
        return json.dumps(value).replace("\x7f", "\\u007f")
    return str(value)


def places(value: Any, above: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """The path of everything in a mapping."""
    below = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, item in below:
        yield (*above, key)
        yield from places(item, (*above, key))


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    changes=st.lists(
        st.tuples(st.sampled_from(list(places(WHOLE))), st.sampled_from([*ANYTHING, None])), max_size=2
    )
)
def test_a_mapping_is_read_or_refused_with_its_line(
    tmp_path: Path, changes: list[tuple[tuple[Any, ...], Any]]
) -> None:
    mapping = copy.deepcopy(WHOLE)
    for place, value in changes:
        changed(mapping, place, value)
    path = tmp_path / "harbour.toml"
    text = "\n".join(f"{json.dumps(key)} = {written(value)}" for key, value in mapping.items())
    path.write_text(text, encoding="utf-8")
    refused = ""
    try:
        found = load_mapping(path)
    except WrongUse as wrong:
        refused = str(wrong)
    if refused:
        assert refused.startswith(f"{tmp_path.name}/harbour.toml")
        assert changes
    else:
        assert all(each.file for each in found.tables)


def changed(mapping: Any, place: tuple[Any, ...], value: Any) -> None:
    """Put a value at a place of the mapping, or take out what stands there; gone places stay gone."""
    around = mapping
    for key in place[:-1]:
        around = around[key] if has(around, key) else None
    if not has(around, place[-1]):
        return
    if value is None:
        del around[place[-1]]
    else:
        around[place[-1]] = copy.deepcopy(value)


def has(around: Any, key: Any) -> bool:
    if isinstance(around, list):
        return isinstance(key, int) and key < len(around)
    return isinstance(around, dict) and key in around
