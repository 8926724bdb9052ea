"""Lines of benefit of one comparison: back at sport, days to the return, why not back, changes of scores."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pipeline.counts import Cells
from pipeline.estimate import verdicts
from pipeline.estimate.asked import ARMS, Asked, Line, counted
from schemas.defaults import HOW_IT_WENT
from schemas.exports import EXPORTS

BENEFIT = "benefit"
REASONS = EXPORTS["followups"]["not_returned_because"].vocabulary
NOT_SAID = "not_said"
FROM, TO = HOW_IT_WENT
_UNASKED = {"called": "unasked", "shown": True, "primary": False, "note": None}


def sport_lines(asked: Asked) -> Iterator[Line]:
    """Back at any sport and at the same level or higher, each of those asked and of all who did sport before."""
    told = [_of_arm(asked, arm) for arm in (0, 1)]
    for outcome in ("any_return", "same_or_higher"):
        about = _about(outcome, None, "higher") | _UNASKED
        yield {
            **about, "counted_of": "asked", "nothing": verdicts.NOBODY_ASKED,
            **_both([counted(arm, own[outcome], own["asked"], own["played"] - own["asked"], own["played"])
                     for arm, own in zip(ARMS, told, strict=True)]),
        }  # fmt: skip
        yield {
            **about, "counted_of": "did_sport", "nothing": verdicts.NO_SPORT,
            **_both([counted(arm, own[outcome], own["played"], own["played"] - own["asked"], own["asked"])
                     for arm, own in zip(ARMS, told, strict=True)]),
        }  # fmt: skip


def reason_lines(asked: Asked) -> Iterator[Line]:
    """Of those asked, who was not back, by reason; reasons that nobody gave have no line."""
    cells = asked.counts.benefit.arm_reasons
    told = [_of_arm(asked, arm) for arm in (0, 1)]
    for why in [*range(len(REASONS)), -1]:
        own = cells.where((cells.keys["why"] == why).to_numpy())
        events = [int(_here(own, asked, arm)["cases"].sum()) for arm in (0, 1)]
        if sum(events):
            yield {
                **_about("not_back", NOT_SAID if why < 0 else REASONS[why], "lower"), **_UNASKED,
                "counted_of": "asked", "nothing": verdicts.NOBODY_ASKED,
                **_both([
                    counted(arm, number, whole["asked"], whole["played"] - whole["asked"], whole["played"])
                    for arm, number, whole in zip(ARMS, events, told, strict=True)
                ]),
            }  # fmt: skip


def days_told(asked: Asked) -> tuple[Line, tuple[np.ndarray, np.ndarray]] | None:
    """The line of the days to the return, and the days of each arm; None where nobody told one."""
    a, b = (_days(asked, arm) for arm in (0, 1))
    if not len(a) + len(b):
        return None
    line: Line = {**_about("days_to_return", None, "lower"), "from_day": 0, "counted_of": "told_a_day"}
    for arm, own, whole in zip(ARMS, (a, b), (0, 1), strict=True):
        line |= {f"n_{arm}": len(own), f"unknown_{arm}": _of_arm(asked, whole)["any_return"] - len(own)}
    return {**line, "primary": False, "note": None}, (a, b)


def score_lines(asked: Asked) -> Iterator[Line]:
    """Measures of which both arms have a case read before and after."""
    cells = asked.counts.benefit.arm_changes
    told = [_of_arm(asked, arm) for arm in (0, 1)]
    for measure, name in enumerate(asked.labels.measures):
        own = cells.where((cells.keys["measure"] == measure).to_numpy())
        sums = [_here(own, asked, arm) for arm in (0, 1)]
        line: Line = {
            **_about("change", name, None),
            "counted_of": "read_twice",
            "primary": False,
            "note": None,
        }
        for arm, found, whole in zip(ARMS, sums, told, strict=True):
            number, total, squares = (
                int(found[each].sum()) for each in ("paired_n", "change_sum", "change_squares")
            )
            line |= {
                f"n_{arm}": number, f"unknown_{arm}": whole["cases"] - number, f"total_{arm}": total,
                f"squares_{arm}": squares,
            }  # fmt: skip
        if all(len(each.keys) for each in sums):
            yield line


def _about(outcome: str, detail: str | None, better: str | None) -> Line:
    return {
        "kind": BENEFIT, "outcome": outcome, "detail": detail, "from_day": FROM, "to_day": TO,
        "better": better,
    }  # fmt: skip


def _both(arms: list[Line]) -> Line:
    return arms[0] | arms[1]


def _of_arm(asked: Asked, arm: int) -> dict[str, int]:
    own = _here(asked.counts.benefit.arms, asked, arm)
    return {name: int(counts.sum()) for name, counts in own.statistics.items()}


def _here(cells: Cells, asked: Asked, arm: int) -> Cells:
    keys = cells.keys
    return cells.where(((keys["comparison"] == asked.number) & (keys["arm"] == arm)).to_numpy())


def _days(asked: Asked, arm: int) -> np.ndarray:
    own = _here(asked.counts.benefit.arm_days, asked, arm)
    return np.repeat(own.keys["day"].to_numpy(np.int64), own["cases"])
