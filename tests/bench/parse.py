"""`python tests/bench/parse.py WORKSPACE`: every export through pyarrow's CSV reader as text, and nothing else."""

from __future__ import annotations

import sys
from pathlib import Path

from pyarrow import csv


def parsed_rows(workspace: Path) -> int:
    """How many rows the exports hold."""
    options = csv.ConvertOptions(auto_dict_encode=False)
    return sum(
        csv.read_csv(path, convert_options=options).num_rows for path in workspace.glob("received/*/*/*.csv")
    )


if __name__ == "__main__":
    print(parsed_rows(Path(sys.argv[1])))
