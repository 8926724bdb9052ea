"""How a story says things."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace
from typing import Any

import pytest

from pipeline.catalogue import load_catalogue
from pipeline.trace.letters import what_the_reader_saw
from pipeline.trace.outcome import _windows
from pipeline.trace.silence import _of_event, _of_reading
from pipeline.trace.words import STATUSES, day_of, listed, said_by, wrapped
from schemas.published import PUBLISHED
from schemas.tracing import RECORD_ROLES


def record(table: str, what: str | None, **more: Any) -> dict[str, Any]:
    empty = dict.fromkeys(PUBLISHED["records"].names)
    return {**empty, "table": table, "record_id": "R1", "what": what, "role": "tied", **more}


def test_every_role_and_status_has_words() -> None:
    from pipeline.trace.words import ROLES

    assert set(ROLES) == set(RECORD_ROLES)
    assert set(STATUSES) == set(PUBLISHED["complications"]["status"].vocabulary)


@pytest.mark.parametrize(
    ("day", "told"),
    [
        (0, "day 0 (2025-02-10)"),
        (43, "day 43 (2025-03-25)"),
        (-2, "day -2 (2025-02-08)"),
        (None, "a day not known"),
    ],
)
def test_days(day: int | None, told: str) -> None:
    assert day_of({"performed_on": date(2025, 2, 10)}, day) == told


def test_lists() -> None:
    assert [listed([]), listed("a"), listed("ab"), listed("abc")] == ["", "a", "a and b", "a, b and c"]


def test_lines_are_short() -> None:
    assert max(map(len, wrapped("word " * 90))) <= 100


@pytest.mark.parametrize(
    ("told", "row"),
    [
        ("left patella: S82.002A, management closed reduction",
         record("events", "S82.002A, management closed_reduction", side="left", place="patella")),
        ("knee: flexion passive 95 deg", record("measurements", "flexion passive 95 deg", place="knee")),
        ("knee: knee score 37 points", record("measurements", "knee_score none 37 points", place="knee")),
        ("Fixation of a fracture, anaesthesia general", record("operations", "fracture_fixation, anaesthesia general")),
        ("did not attend", record("followups", "did_not_attend")),
        ("KN-X, planned with H_1", record("operations", "KN-X, planned with H_1")),
    ],
)  # fmt: skip
def test_what_a_record_says_in_words(told: str, row: dict[str, Any]) -> None:
    assert said_by(row, load_catalogue()) == told


@pytest.mark.parametrize(
    ("what", "reason"),
    [
        # the knee's flexion: below 120 degrees is beyond the limit, passive
        ("flexion passive 120 deg", "a reading within the limit (below 120 would be beyond it)"),
        (
            "flexion passive 95 deg",
            "beyond the limit (below 120), but not used: all motions of that day are 0",
        ),
        ("flexion active 95 deg", "not judged: the limit speaks of passive readings, this one is active"),
        ("extension_deficit passive 5 deg", "a reading within the limit (above 5 would be beyond it)"),
        ("knee_score none 37 points", "a reading for which no limit is set here"),
    ],
)
def test_why_a_reading_says_nothing(what: str, reason: str) -> None:
    assert _of_reading(record("measurements", what, place="knee"), load_catalogue()) == reason


@pytest.mark.parametrize(
    ("what", "part"),
    [
        ("S83.005D, source coded", "a later encounter"),
        ("Z00.0, source coded", "none of a complication"),
        ("management none, source letter", "no code and no field"),
        (None, "no code and no field"),
    ],
)
def test_why_an_event_says_nothing(what: str | None, part: str) -> None:
    assert part in _of_event(record("events", what), load_catalogue())


class _Letters:
    """As much of a case as letters need."""

    def __init__(self, *letters: dict[str, Any]) -> None:
        self.letters = letters
        self.edition = self
        self.catalogue = load_catalogue()


def test_what_the_reader_saw_in_a_note() -> None:
    one = {"table": "events", "record_id": "R1", "category": "stiffness", "side": None, "why_not": None}
    case = _Letters(
        {**one, "assertion": "present"},
        {
            **one,
            "assertion": "absent",
            "category": "infection",
            "side": "left",
            "why_not": "not said to be so",
        },
        {**one, "assertion": "present", "record_id": "R2"},
    )
    told = " ".join(" ".join(what_the_reader_saw(case, record("events", None))).split())  # type: ignore[arg-type]
    assert told == (
        "its note: Stiffness present; only proposes, people decide "
        "its note: Infection absent, left side; proposes nothing: not said to be so"
    )


@pytest.mark.parametrize(
    ("day", "said"),
    [
        (400, "within the window of 730 days"),
        (100, "within the windows of 365 and 730 days"),
        (731, "after the end of every window it is counted in"),
    ],
)
def test_windows_a_complication_stands_in(day: int, said: str) -> None:
    edition = SimpleNamespace(catalogue=load_catalogue(), windows=[{"days": days} for days in (90, 365, 730)])
    case: Any = SimpleNamespace(edition=edition)
    assert list(_windows(case, "stiffness", {"status": "counted", "day": day})) == [said]
