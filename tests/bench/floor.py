"""The DuckDB script as a program of its own: `python tests/bench/floor.py WORKSPACE` prints what it counted."""

from __future__ import annotations

import sys
from datetime import date
from pathlib import Path

SCRIPT = Path(__file__).with_name("floor.sql")
SIDES = Path(__file__).parents[2] / "schemas" / "icd10cm_sides.csv"
#: Last day of the last whole month on the day of the second receipt.
CUT_ON = date(2026, 10, 31)

Counted = dict[tuple[str, str, str], int]


def counted(workspace: Path) -> Counted:
    """(`rule`, `fate` or `standing`; table; name) → rows."""
    import duckdb

    with duckdb.connect() as connection:
        for name, value in (("workspace", workspace), ("sides", SIDES), ("cut_on", CUT_ON)):
            said = f"DATE '{value}'" if isinstance(value, date) else f"'{value}'"
            connection.execute(f"SET VARIABLE {name} = {said}")
        rows = connection.execute(SCRIPT.read_text("utf-8")).fetchall()
    return {(what, table, name): count for what, table, name, count in rows}


if __name__ == "__main__":
    for (what, table, name), count in counted(Path(sys.argv[1])).items():
        print(what, table, name, count)
