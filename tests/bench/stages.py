"""`python tests/bench/stages.py WORKSPACE OUT`: seconds of each stage of `limbaudit check`, as JSON."""

from __future__ import annotations

import json
import sys
from itertools import pairwise
from pathlib import Path
from time import perf_counter


def seconds_of(workspace: Path, out: Path) -> dict[str, float]:
    """Stage → seconds; `start` is from the first line of this program to the first stage, imports among them."""
    begun = [("start", perf_counter())]
    from pipeline.run import Asked, checked

    checked(Asked(workspace), out, lambda stage: begun.append((stage, perf_counter())))
    begun.append(("", perf_counter()))
    return {stage: round(after - before, 3) for (stage, before), (_, after) in pairwise(begun)}


if __name__ == "__main__":
    print(json.dumps(seconds_of(Path(sys.argv[1]), Path(sys.argv[2]))))
