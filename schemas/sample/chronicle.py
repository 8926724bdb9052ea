"""What happened to the cases, written down piece by piece as records and as the truth that should follow.

Days are counted from the case's operation (day 0). Nothing here reads a definition from anywhere: each course
states the rows it writes and what an audit that keeps to the definitions has to find in them.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from schemas.sample.people import LAST_DAY, OPERATIONS

Rows = np.ndarray  # positions of cases

#: Joint a knee or shoulder record speaks of, by operation.
RECORD_JOINT = np.array([operation.joint for operation in OPERATIONS])
MOTION_JOINT = np.array([operation.region for operation in OPERATIONS])


TEXT, NUMBER, MARK = "", float("nan"), False
#: Columns of each kind of note beside case, day and number, with what stands where nothing was said.
COLUMNS: dict[str, dict[str, Any]] = {
    "events": dict.fromkeys(
        ("code", "code_system", "side", "joint", "bone", "through_fixation_site", "energy", "reduced_by",
         "severity_grade", "management", "source", "note"), TEXT,
    ) | {"instability_level": NUMBER, "names_operation": MARK, "second_number": MARK},
    "returns": dict.fromkeys(("code", "anaesthesia", "reason", "planned", "urgency"), TEXT),
    "readings": {"measure": TEXT, "value": NUMBER, "mode": TEXT, "joint": TEXT},
    "contacts": dict.fromkeys(("status", "return_to_sport", "not_returned_because", "note"), TEXT)
    | {"returned_after": -1, "pain": NUMBER},
    "truth": dict.fromkeys(("category", "level", "how", "expected_status"), TEXT),
    "decisions": dict.fromkeys(("category", "counts", "reviewer", "reason"), TEXT),
    "links": {"event": -1, "to_case": MARK, "reason": TEXT},
}  # fmt: skip


class Chronicle:
    """Collects records and expected complications of the cases given at the start."""

    def __init__(self, cases: pd.DataFrame, rng: np.random.Generator) -> None:
        self.cases = cases
        self.rng = rng
        self._kept: dict[str, list[pd.DataFrame]] = {name: [] for name in COLUMNS}
        self.operation = cases["operation"].to_numpy()
        self.performed = cases["performed"].to_numpy()
        self.left = (cases["side"] == "left").to_numpy()

    def _keep(self, name: str, rows: Rows, day: np.ndarray, columns: Mapping[str, Any]) -> np.ndarray:
        numbers = np.arange(len(rows)) + sum(map(len, self._kept[name]))
        frame = pd.DataFrame({"case": rows, "day": np.asarray(day, dtype=np.int64), "number": numbers})
        for column, silent in COLUMNS[name].items():
            frame[column] = columns.get(column, silent)
        self._kept[name].append(frame)
        return numbers

    def event(self, rows: Rows, day: np.ndarray, **columns: Any) -> np.ndarray:
        """Events with side and joint as operated unless told otherwise; returns their numbers."""
        usual = {
            "side": self.cases["side"].to_numpy()[rows],
            "joint": RECORD_JOINT[self.operation[rows]],
            "names_operation": self.rng.random(len(rows)) < 0.6,
            "source": "clinic",
        }
        return self._keep("events", rows, day, usual | columns)

    def back_to_theatre(self, rows: Rows, day: np.ndarray, code: object, **columns: Any) -> None:
        """Later operations on the same joint and side; unplanned unless told otherwise."""
        self._keep("returns", rows, day, {"code": code, "anaesthesia": "general"} | columns)

    def reading(
        self, rows: Rows, day: np.ndarray, measure: object, value: np.ndarray, mode: str = "passive"
    ) -> None:
        """A reading of motion in degrees."""
        joint = MOTION_JOINT[self.operation[rows]]
        self._keep("readings", rows, day, {"measure": measure, "value": value, "mode": mode, "joint": joint})

    def seen(self, rows: Rows, day: np.ndarray, **columns: Any) -> None:
        """A visit that took place."""
        self._keep("contacts", rows, day, {"status": "seen"} | columns)

    def expect(
        self, rows: Rows, day: np.ndarray, category: str, level: str, how: str, status: str = "counted"
    ) -> None:
        """What has to be found. A day of -1 is unknown."""
        told = {"category": category, "level": level, "how": how, "expected_status": status}
        self._keep("truth", rows, day, told)

    def decide(
        self, rows: Rows, day: np.ndarray, category: str, counts: str, reviewer: str, reason: str
    ) -> None:
        """A reviewer's decision; `day` is when it happened, for the reviewer's `occurred_on`."""
        told = {"category": category, "counts": counts, "reviewer": reviewer, "reason": reason}
        self._keep("decisions", rows, day, told)

    def link(self, rows: Rows, event: np.ndarray, to_case: bool, reason: str) -> None:
        """A reviewer ties an event to the case, or to none."""
        self._keep("links", rows, np.zeros(len(rows)), {"event": event, "to_case": to_case, "reason": reason})

    def frame(self, name: str) -> pd.DataFrame:
        """All rows kept under a name that happened by the end of the story."""
        if not self._kept[name]:
            self._keep(name, np.zeros(0, dtype=np.int64), np.zeros(0), {})
        kept = pd.concat(self._kept[name], ignore_index=True)
        on = self.performed[kept["case"]] + kept["day"]
        return kept.loc[on <= LAST_DAY].assign(on=on).reset_index(drop=True)

    # what the records say in the words of the place operated on

    def knee(self, rows: Rows) -> np.ndarray:
        return MOTION_JOINT[self.operation[rows]] == "knee"

    def sided(self, rows: Rows, pattern: str, right: str = "1", left: str = "2") -> np.ndarray:
        """A code whose character in the place of `{}` says the side."""
        return np.where(self.left[rows], pattern.format(left), pattern.format(right))

    def draw(self, low: int, high: int, rows: Rows) -> np.ndarray:
        """A whole number for each row, ends included."""
        return self.rng.integers(low, high + 1, len(rows))

    def some(self, rows: Rows, share: float) -> np.ndarray:
        """True for about this share of the rows."""
        return self.rng.random(len(rows)) < share
