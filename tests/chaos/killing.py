"""Many kills by several processes, each of which forks its own children."""

from __future__ import annotations

import json
import os
import pickle
from collections import Counter
from collections.abc import Callable
from functools import partial
from pathlib import Path

from kills import Kill, Scene, all_kills, child, scenes, survived
from printing import with_print

COURSES = Path(__file__).parents[1] / "journeys" / "twelve_courses"


def killed(number: int, folder: Path, workers: int) -> list[tuple[str, int, int, list[str]]]:
    """Group of kills, how many there were, how many of them died, what was amiss."""
    kills = all_kills(number)
    tables = scenes(COURSES, folder / "tables", whole=False)  # in this process: it is warm then
    whole = _whole_scenes(folder / "whole") if any(kill.whole for kill in kills) else {}
    parts = [kills[turn::workers] for turn in range(workers)]
    _side_by_side([partial(_part, part, tables, whole) for part in parts], folder)
    results = [
        each for turn in range(workers) for each in json.loads((folder / f"w{turn}" / "told").read_text())
    ]
    return _counted(results)


def _whole_scenes(folder: Path) -> dict[str, Scene]:
    folder.mkdir()
    if child(_make_whole, folder):
        raise SystemExit("The whole edition could not be made.")
    return pickle.loads((folder / "scenes").read_bytes())


def _make_whole(folder: Path) -> None:
    with_print()
    (folder / "scenes").write_bytes(pickle.dumps(scenes(COURSES, folder, whole=True)))


def _part(kills: list[Kill], tables: dict[str, Scene], whole: dict[str, Scene], place: Path) -> None:
    told = []
    for kill in kills:
        died, wrong = survived(kill, (whole if kill.whole else tables)[kill.work], place / "audit")
        told.append(
            (kill.where, died, f"{kill.name}{', whole' if kill.whole else ''}: {wrong}" if wrong else "")
        )
    (place / "told").write_text(json.dumps(told))


def _side_by_side(works: list[Callable[[Path], object]], folder: Path) -> None:
    """All at once, each in a process and a folder of its own."""
    numbers = []
    for turn, work in enumerate(works):
        place = folder / f"w{turn}"
        place.mkdir()
        number = os.fork()
        if number == 0:
            try:
                work(place)
            finally:
                os._exit(0)
        numbers.append(number)
    for number in numbers:
        os.waitpid(number, 0)


def _counted(results: list[tuple[str, bool, str]]) -> list[tuple[str, int, int, list[str]]]:
    groups = Counter(where for where, _, _ in results)
    return [
        (
            f"killed {where}",
            times,
            sum(died for group, died, _ in results if group == where),
            [wrong for group, _, wrong in results if group == where and wrong],
        )
        for where, times in groups.items()
    ]
