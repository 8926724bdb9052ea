"""Files: equal bytes, harmless cells."""

from __future__ import annotations

import csv
import os
import subprocess
import sys
from datetime import date, datetime
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from pipeline import store


@pytest.fixture
def motion() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "name": ["plain", 'with "mark", comma', "=1+1", "-", None, "two\nlines", "", "@x", "\tt", "+49", "\rr"],
            "change": [-5.0, 1 / 3, 1e-12, float("nan"), 2.0, 1e15, -0.0, 0.1 + 0.2, 123456.789012345, 1.0, 7.5],
            "cases": pd.array([1, -2, None, 4, 5, 6, 7, 8, 9, 10, 11], dtype="Int64"),
            "seen": pd.array([True, False, None, *[True] * 8], dtype="boolean"),
            "on": [date(2026, 10, 31), None, *[date(2025, 1, 2)] * 9],
            "band": pd.Categorical(["b", "a", *["b"] * 9]),
            "at": [datetime(2026, 10, 31, 7, 5), None, *[datetime(2025, 1, 2)] * 9],
        }
    )  # fmt: skip


@pytest.fixture
def rows(motion: pd.DataFrame, tmp_path: Path) -> list[dict[str, str]]:
    store.write_csv(motion, tmp_path / "motion.csv")
    with (tmp_path / "motion.csv").open(newline="", encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def test_cells_are_written_the_agreed_way(rows: list[dict[str, str]]) -> None:
    assert rows[0] == {
        "name": "plain", "change": "-5", "cases": "1", "seen": "yes", "on": "2026-10-31", "band": "b",
        "at": "2026-10-31T07:05:00",
    }  # fmt: skip
    assert [rows[1][name] for name in ("change", "cases", "seen", "on", "at")] == [
        "0.3333333333",
        "-2",
        "no",
        "",
        "",
    ]
    assert [row["change"] for row in rows[2:9]] == ["1e-12", "", "2", "1e+15", "0", "0.3", "123456.789"]
    assert rows[2]["seen"] == ""


def test_only_text_cells_are_neutralised(rows: list[dict[str, str]]) -> None:
    assert [row["name"] for row in rows] == [
        "plain", 'with "mark", comma', "'=1+1", "'-", "", "two\nlines", "", "'@x", "'\tt", "'+49", "'\rr",
    ]  # fmt: skip
    assert rows[0]["change"] == "-5"


def test_quotes_stand_only_where_needed(tmp_path: Path) -> None:
    store.write_csv(pd.DataFrame({"a": ["x", "y,z"], "b": ["", "w"]}), tmp_path / "t.csv")
    assert (tmp_path / "t.csv").read_bytes() == b'a,b\nx,\n"y,z",w\n'


def test_an_empty_cell_alone_in_its_row_is_not_a_blank_line(tmp_path: Path) -> None:
    store.write_csv(pd.DataFrame({"a": ["", "x"]}), tmp_path / "t.csv")
    assert (tmp_path / "t.csv").read_bytes() == b'a\n""\nx\n'


def test_a_table_without_rows_has_its_header(tmp_path: Path) -> None:
    store.write_csv(
        pa.table({"a": pa.array([], pa.string()), "b": pa.array([], pa.float64())}), tmp_path / "t.csv"
    )
    assert (tmp_path / "t.csv").read_bytes() == b"a,b\n"


def test_infinite_limits_stay_readable(tmp_path: Path) -> None:
    store.write_csv(pd.DataFrame({"or_ci_high": [float("inf")]}), tmp_path / "t.csv")
    assert (tmp_path / "t.csv").read_text() == "or_ci_high\ninf\n"


def test_parquet_has_plain_types_and_no_notes(motion: pd.DataFrame, tmp_path: Path) -> None:
    store.write_parquet(motion, tmp_path / "m.parquet")
    written = pq.read_schema(tmp_path / "m.parquet")
    assert written.metadata is None
    assert written.field("band").type == pa.string()
    assert written.field("name").type == pa.string()
    assert pq.read_table(tmp_path / "m.parquet")["change"][1].as_py() == 0.3333333333


def test_writers_leave_the_frame_alone(motion: pd.DataFrame, tmp_path: Path) -> None:
    before = motion.copy(deep=True)
    store.write_csv(motion, tmp_path / "m.csv")
    store.write_parquet(motion, tmp_path / "m.parquet")
    pd.testing.assert_frame_equal(motion, before)


def test_chunks_do_not_show_in_the_bytes(motion: pd.DataFrame, tmp_path: Path) -> None:
    whole = pa.Table.from_pandas(motion, preserve_index=False)
    parts = pa.concat_tables([whole.slice(0, 3), whole.slice(3)])
    for name, table in (("whole", whole), ("parts", parts)):
        store.write_csv(table, tmp_path / f"{name}.csv")
        store.write_parquet(table, tmp_path / f"{name}.parquet")
    assert (tmp_path / "whole.csv").read_bytes() == (tmp_path / "parts.csv").read_bytes()
    assert (tmp_path / "whole.parquet").read_bytes() == (tmp_path / "parts.parquet").read_bytes()


SCRIPT = """
import sys, pandas as pd; from pathlib import Path; from pipeline import store
f = pd.DataFrame({"a": list(set("zyxwv")), "b": [0.1, 1/3, 2, 3, 4]}).sort_values("a", ignore_index=True).assign(b=1/3)
store.write_csv(f, Path(sys.argv[1]) / "t.csv"); store.write_parquet(f, Path(sys.argv[1]) / "t.parquet")
"""


def test_bytes_do_not_depend_on_hash_seed_or_time_zone(tmp_path: Path) -> None:
    for seed, zone in (("1", "Asia/Tokyo"), ("2", "America/Lima")):
        (tmp_path / seed).mkdir()
        surroundings = {**os.environ, "PYTHONHASHSEED": seed, "TZ": zone, "LC_ALL": "C"}
        subprocess.run([sys.executable, "-c", SCRIPT, str(tmp_path / seed)], check=True, env=surroundings)
    for name in ("t.csv", "t.parquet"):
        assert (tmp_path / "1" / name).read_bytes() == (tmp_path / "2" / name).read_bytes()


def test_json_is_sorted_and_ends_with_a_line_feed(tmp_path: Path) -> None:
    store.write_json({"b": 1, "a": date(2026, 10, 31)}, tmp_path / "x.json")
    assert (tmp_path / "x.json").read_text() == '{\n  "a": "2026-10-31",\n  "b": 1\n}\n'
