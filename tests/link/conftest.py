"""Facts typed in by hand, in words: a row is a dict of what matters, all else is missing or a default.

Days are small numbers: the calendar of these tests begins on day 0.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import pytest

from pipeline.catalogue import Catalogue, Joint, Procedure
from pipeline.handover import (
    NO_DAY,
    NOT_NAMED,
    PENDING,
    RECORD_TABLES,
    SIDE_LETTERS,
    SIDES,
    UNATTRIBUTED,
    Facts,
    Linked,
)
from pipeline.link import linked
from pipeline.lookup import lookup_for
from pipeline.settings import Settings
from schemas.exports import EXPORTS

Row = dict[str, Any]

#: A hinge with its cap, a ball, and a back without sides. `rinse` has no joint of its own; `visitor` is no index.
CATALOGUE = Catalogue(
    procedures={
        "sew": Procedure("sew", "Sew", "cap", ("cap", "hinge", "lid", "upper"), index=True, concerns="slack",
                         holes_in=("upper",), concomitant=("file",)),
        "shift": Procedure("shift", "Shift", "cap", ("cap", "hinge", "lid"), index=True, precedence=1,
                           concerns="slack"),
        "plate": Procedure("plate", "Plate", "hinge", ("hinge", "cap", "upper"), index=True, precedence=2,
                           concerns="break"),
        "socket": Procedure("socket", "Socket", "ball", ("ball",), index=True, precedence=3, concerns="wear"),
        "fuse": Procedure("fuse", "Fuse", "back", ("back",), sided=False, index=True, precedence=4, concerns="pain"),
        "file": Procedure("file", "File", "hinge", ("hinge", "cap"), precedence=5),
        "rinse": Procedure("rinse", "Rinse", precedence=6),
    },
    complications={},
    joints={
        "hinge": Joint("hinge", bones=("upper",)),
        "cap": Joint("cap", part_of="hinge", bones=("lid", "upper")),
        "ball": Joint("ball", bones=("pelvis",)),
        "back": Joint("back"),
    },
)  # fmt: skip
LOOK = lookup_for(CATALOGUE, [("shift", "sew")])

MISSING = {"site": 0, "side": -1, "joint": -1, "bone": -1, "code_joint": -1, "code_side": -1, "operation": NOT_NAMED,
           "instability_level": -1}  # fmt: skip
DEFAULTS: dict[str, Row] = {
    "operations": {
        "site": 0, "patient": 1, "day": 100, "side": "left", "procedure": "sew", "status": "performed", "planned": -1,
        "planned_with": NOT_NAMED, "planned_on": int(NO_DAY), "anaesthesia": "general", "reason": -1, "surgeon": 0, "fixation": 0,
        "age_years": 30, "sex": 0, "asa_class": 1, "smoker": 0, "diabetes": 0, "prior_operation_same_joint": 0,
        "urgency": -1, "nonoperative_weeks": -1, "sport_level": -1,
    },
    "events": {**MISSING, "patient": 1, "day": 200, "side": "left", "joint": "cap", "origin": "coded"},
    "followups": {**MISSING, "patient": 1, "day": 200, "status": "seen"},
    "measurements": {**MISSING, "patient": 1, "day": 200, "side": "left", "joint": "hinge"},
    "patients": {"site": 0, "patient": 1, "died": int(NO_DAY), "moved": int(NO_DAY)},
}  # fmt: skip


def _number(table: str, column: str, value: Any) -> Any:
    """The position a word stands for."""
    if not isinstance(value, str):
        return value
    if column == "procedure":
        return LOOK.procedure_position[value]
    if column == "side":
        return SIDES.index(value)
    if column in ("joint", "bone", "code_joint"):
        return LOOK.place_position[value]
    if column == "code_side":
        return SIDES.index(value)
    return EXPORTS[table]["source" if column == "origin" else column].vocabulary.index(value)


def frame_of(table: str, rows: list[Row]) -> pd.DataFrame:
    """Rows in integers; `row` and, for operations, `operation` count from 0."""
    full = [{**DEFAULTS[table], **row} for row in rows]
    frame = pd.DataFrame(
        [{name: _number(table, name, value) for name, value in row.items()} for row in full],
        columns=list(DEFAULTS[table]),
    ).astype("int64")
    frame.insert(0, "row", np.arange(len(frame)))
    if table == "operations":
        frame.insert(1, "operation", np.arange(len(frame)))
    return frame


def facts_of(listed: list[tuple[int, str]] = (), links: list[Row] = (), **tables: list[Row]) -> Facts:
    """Facts; `listed` are (operation, procedure) of listed codes, a code is numbered like its procedure."""
    frames = {name: frame_of(name, tables.get(name, [])) for name in DEFAULTS}
    operations = frames["operations"]
    also = pd.DataFrame(
        [(o, LOOK.procedure_position[p]) for o, p in listed], columns=["operation", "procedure"]
    ).astype("int64")
    known = operations[operations["procedure"] >= 0]
    codes = pd.concat([known[["operation", "procedure"]].assign(own=True), also.assign(own=False)])
    taken = np.array(
        [
            [other in CATALOGUE.procedures[key].concomitant for other in LOOK.procedures]
            for key in LOOK.procedures
        ]
    )
    return Facts(
        **frames,
        concomitants=also,
        links=pd.DataFrame(
            [{"side": -1, "decided": 0, "position": n, **link} for n, link in enumerate(links)],
            columns=["table", "record", "operation", "side", "decided", "position"],
        ).astype("int64"),
        decisions=pd.DataFrame(
            columns=["operation", "side", "category", "counts", "reviewer", "decided", "occurred", "position"]
        ).astype("int64"),
        sites=("harbour",),
        surgeons=("harbour/1",),
        measures=(),
        codes=codes.rename(columns={"procedure": "code"}).reset_index(drop=True),
        unisolating=taken,
        fixations=("peg",),
        by={},
        patient_hashes=np.arange(10, dtype=np.uint64),
        received={},
    )


@dataclass(frozen=True)
class Answer:
    """What link made of it, in words."""

    found: Linked

    def case_ids(self) -> list[str]:
        """`<operation>.<L|R|N>` of every case, in order."""
        cases = self.found.cases
        return [f"{o}.{SIDE_LETTERS[s]}" for o, s in zip(cases["operation"], cases["side"], strict=True)]

    def records(self, table: str = "events", pending: bool = False) -> list[tuple[int, str, int]]:
        """(row, case id, day of the case) of records with a case, or of those that wait for one."""
        own = self.found.records
        own = own[(own["table"] == table) & (own["pending"] == pending)].sort_values(["row", "case"])
        ids = self.case_ids()
        return [(r, ids[c], d) for r, c, d in zip(own["row"], own["case"], own["day"], strict=True)]

    def waits(self, table: str = "events") -> list[tuple[int, str]]:
        """(row, why) of records that wait for a link, once each."""
        own = self.found.records
        own = own[(own["table"] == table) & own["pending"] & own["first"]]
        return [(r, PENDING[w]) for r, w in zip(own["row"], own["why"], strict=True)]

    def listed(self, table: str = "events") -> list[tuple[int, str]]:
        """(row, why) of records listed as unattributed."""
        own = self.found.unattributed
        own = own[own["table"] == table].sort_values("row")
        return [(r, UNATTRIBUTED[w]) for r, w in zip(own["row"], own["why"], strict=True)]


@pytest.fixture
def link() -> Callable[..., Answer]:
    """`link(operations=[…], events=[…], …)` → the answer; records are complete to day 5000 unless `known_until` says."""

    def build(settings: Settings | None = None, known_until: int = 5000, **facts: Any) -> Answer:
        return Answer(linked(facts_of(**facts), LOOK, settings or Settings(), np.array([known_until])))

    return build


@pytest.fixture
def link_to() -> Callable[..., Row]:
    """`link_to("events", record, operation, side)`: a reviewer's link; without operation it says none."""

    def build(table: str, record: int, operation: int = NOT_NAMED, side: str = "left") -> Row:
        return {
            "table": RECORD_TABLES.index(table), "record": record, "operation": operation, "side": SIDES.index(side),
        }  # fmt: skip

    return build
