"""`python tests/chaos [--kills 200]`: kill runs at named points, and see that the edition that stands is always whole."""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from kills import all_kills, scene, survived

COURSES = Path(__file__).parents[1] / "journeys" / "twelve_courses"


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--kills", type=int, default=200)
    kills = all_kills(asked.parse_args().kills)
    amiss: Counter[str] = Counter()
    begun = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        given = scene(COURSES, Path(folder))
        for kill in kills:
            if problem := survived(kill, given, Path(folder)):
                amiss[f"{kill.name}: {problem}"] += 1
    seconds = time.monotonic() - begun
    stages = sum(bool(kill.stage) for kill in kills)
    print(
        f"{len(kills)} kills in {seconds:.0f} s: {stages} inside a stage, {len(kills) - stages} between write and "
        f"pointer; {sum(amiss.values())} left something amiss."
    )
    for text, times in amiss.most_common():
        print(f"{times} × {text}")
    return 1 if amiss else 0


if __name__ == "__main__":
    sys.exit(main())
