"""Two hundred randomly damaged copies of an export: every row is still accounted for, and the other site is untouched."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

COURSES = Path(__file__).parent / "journeys" / "twelve_courses"
TABLES = ("operations", "events", "followups", "measurements")
FATES = ("accepted", "quarantined", "superseded", "duplicate", "withdrawn", "non_data", "not_selected", "refused",
         "removed")  # fmt: skip
ODD_CELLS = ["", "N/A", "-", "?", "31/02/2025", "2025-02-30", "2999-01-01", "left;right", "=1+1", "999", "-1", "1e9",
             "KN-LIG", "H01", "P01", "é", "\u2028", "a\tb", "  ", "Straße", '"', "\\", "null", "0000-00-00"]  # fmt: skip

#: What may happen to a file, as a function of its lines and two numbers.
Lines = list[bytes]


def cut(lines: Lines, at: int, _: int, __: str) -> bytes:
    whole = b"".join(lines)
    return whole[: at % (len(whole) + 1)]


def twice(lines: Lines, at: int, to: int, _: str) -> bytes:
    line = lines[at % len(lines)]
    place = to % (len(lines) + 1)
    return b"".join([*lines[:place], line, *lines[place:]])


def gone(lines: Lines, at: int, _: int, __: str) -> bytes:
    place = at % len(lines)
    return b"".join([*lines[:place], *lines[place + 1 :]])


def swapped(lines: Lines, at: int, to: int, _: str) -> bytes:
    one, other = at % len(lines), to % len(lines)
    moved = list(lines)
    moved[one], moved[other] = moved[other], moved[one]
    return b"".join(moved)


def cell(lines: Lines, at: int, to: int, text: str) -> bytes:
    place = at % len(lines)
    cells = lines[place].rstrip(b"\n").split(b",")
    cells[to % len(cells)] = text.encode("utf-8")
    return b"".join([*lines[:place], b",".join(cells) + b"\n", *lines[place + 1 :]])


def inserted(lines: Lines, at: int, _: int, text: str) -> bytes:
    whole = b"".join(lines)
    place = at % (len(whole) + 1)
    return whole[:place] + text.encode("utf-8") + whole[place:]


def spoiled_byte(lines: Lines, at: int, to: int, _: str) -> bytes:
    whole = bytearray(b"".join(lines))
    whole[at % len(whole)] = to % 256
    return bytes(whole)


def blank_line(lines: Lines, at: int, _: int, __: str) -> bytes:
    place = at % (len(lines) + 1)
    return b"".join([*lines[:place], b"\n", *lines[place:]])


DAMAGES = (cut, twice, gone, swapped, cell, cell, cell, inserted, spoiled_byte, blank_line)

damage = st.tuples(
    st.sampled_from(TABLES), st.sampled_from(DAMAGES), st.integers(0, 10_000), st.integers(0, 10_000),
    st.sampled_from(ODD_CELLS),
)  # fmt: skip


@pytest.fixture(scope="module")
def network(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Harbour whole, island to be damaged."""
    place = tmp_path_factory.mktemp("damaged") / "network"
    shutil.copytree(COURSES, place)
    (place / "audit.toml").write_text(
        (place / "audit.toml").read_text("utf-8") + '\n[sites.island]\nname = "Island Hospital"\n', "utf-8"
    )
    return place


@settings(
    max_examples=200, derandomize=True, deadline=None, database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)  # fmt: skip
@given(damages=st.lists(damage, min_size=1, max_size=3))
def test_every_row_is_accounted_for(network: Path, limbaudit: Callable[..., Any], damages: list[Any]) -> None:
    island = network / "received" / "island"
    shutil.rmtree(island, ignore_errors=True)
    shutil.copytree(COURSES / "received" / "harbour", island)
    for table, how, at, to, text in damages:
        path = island / "2026-11-02" / f"{table}.csv"
        lines = path.read_bytes().splitlines(keepends=True)
        if lines:
            path.write_bytes(how(lines, at, to, text))
    with tempfile.TemporaryDirectory() as out:
        finished = limbaudit("check", network, "--out", out)
        assert finished.exit_code in (0, 1), finished.said
        _check(Path(out))


def _check(out: Path) -> None:
    import pandas as pd

    ledger = pd.read_csv(out / "ledger.csv", dtype="string", keep_default_na=False)
    counts = ledger[["rows_read", *FATES]].astype(int)
    assert (counts["rows_read"] == counts[list(FATES)].sum(axis=1)).all()
    assert (counts >= 0).all(axis=None)
    assert set(ledger["site"]) == {"harbour", "island"}
    harbour = counts[ledger["site"] == "harbour"]
    assert (harbour["accepted"] == harbour["rows_read"]).all(), "the other site is untouched"
    assert harbour["rows_read"].sum() == 18 + 9 + 13 + 3
    for table, rows in counts.groupby(ledger["table"]):
        if rows["quarantined"].sum():
            kept = pd.read_csv(out / "quarantined" / f"{table}.csv", dtype="string", keep_default_na=False)
            assert len(kept) == rows["quarantined"].sum()
