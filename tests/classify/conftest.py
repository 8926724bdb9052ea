"""Cases with their records typed in by hand, in words, and the complications made of them, in words again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import pytest

from pipeline.catalogue import Catalogue, CodeRule, Complication, Joint, Level, Measured, Procedure
from pipeline.classify import classified
from pipeline.handover import (
    COUNTED,
    LEFT,
    NEVER,
    NO_DAY,
    PENDING,
    ROLES,
    STATUSES,
    STRENGTHS,
    VERDICTS,
    Classified,
    Facts,
    Linked,
)  # fmt: skip
from pipeline.lookup import Lookup
from pipeline.settings import Settings
from schemas.exports import EXPORTS, SEVERITY_GRADES

Row = dict[str, Any]
CODES = {"ICD-10-CM": (CodeRule("S*", True), CodeRule("U*", False))}

#: `sew` makes a hole in the bone `upper`, `wrap` makes none; `socket` is at another joint.
CATALOGUE = Catalogue(
    procedures={
        "sew": Procedure("sew", "Sew", "cap", ("cap", "upper", "lower"), index=True, concerns="slack",
                         holes_in=("upper",)),
        "wrap": Procedure("wrap", "Wrap", "cap", ("cap", "upper"), index=True, precedence=1, concerns="slack"),
        "socket": Procedure("socket", "Socket", "ball", ("ball",), index=True, precedence=2, concerns="wear"),
        "clean": Procedure("clean", "Clean", precedence=3, implies=("germ",)),
        "loosen": Procedure("loosen", "Loosen", precedence=4, reasons="tight"),
        "redo": Procedure("redo", "Redo", "cap", precedence=5, redo=True),
        "check": Procedure("check", "Check", "cap", precedence=6, limits=("bend",)),
    },
    complications={
        "tight": Complication(
            "tight", "Tight", seen_in="visit", first_day=90, main_level="lasting",
            levels=(Level("lasting", from_day=180, or_visits=2, apart_days=28), Level("once"),
                    Level("severe", threshold="severe"), Level("treated", after_operations=True)),
            after_operations=("loosen",),
            measured=(Measured("hinge", "bend", limits={"": (120, None), "severe": (100, None)}, than_other={"": 25}),
                      Measured("hinge", "lag", limits={"": (None, 5)})),
        ),
        "crack": Complication("crack", "Crack", levels=(Level("any"), Level("mild", energy=("none", "low"))),
                              needs_hole=True, otherwise="rest"),
        "slip": Complication(
            "slip", "Slip", seen_in="visit", joints=("cap",), main_level="primary", repeated_days=14,
            levels=(Level("primary", instability_levels=(1, 2, 3)), Level("strict", instability_levels=(1,)),
                    Level("again", times=2, apart_days=14), Level("shy", instability_levels=(4,), described=True)),
        ),
        "return": Complication("return", "Return", main_level="every", levels=(Level("every"), Level("redone", redo=True)),
                               implied_by=("unplanned_return",), default_grade="III", reasons_order=("germ", "slip"),
                               reason_days=60),
        "germ": Complication("germ", "Germ", default_grade="II"),
        "late": Complication("late", "Late", first_day=30, joints=("ball",)),
        "gone": Complication("gone", "Gone", in_any=False, implied_by=("patient_died",)),
        "rest": Complication("rest", "Rest"),
    },
    joints={
        "hinge": Joint("hinge", bones=("upper", "lower")),
        "cap": Joint("cap", part_of="hinge"),
        "ball": Joint("ball"),
    },
)  # fmt: skip
LOOK = Lookup(CATALOGUE)
RECEIVED = 900  # calendar day on which everything arrived
PERFORMED = 100

EVENT = {"case": 0, "day": 40, "pending": False, "first": True, "why": -1, "category": -1, "level": -1, "specific": 1,
         "subsequent": 0, "side": LEFT, "code_joint": -1, "code_side": -1, "bone": -1, "through": -1, "energy": -1,
         "instability_level": -1, "origin": "coded", "noted": False, "severity": -1}  # fmt: skip
FOLLOWUP = {
    "case": 0,
    "day": 40,
    "pending": False,
    "first": True,
    "why": -1,
    "instability_level": -1,
    "status": "seen",
}
READING = {"case": 0, "day": 200, "pending": False, "first": True, "why": -1, "joint": "hinge", "measure": "bend",
           "mode": "passive", "value": 110.0, "side": LEFT}  # fmt: skip
LATER = {"case": 0, "day": 40, "role": "return", "procedures": ("loosen",), "is_index": False, "reason": -1}
DECISION = {
    "case": 0,
    "category": "germ",
    "counts": True,
    "reviewer": 0,
    "decided": 950,
    "occurred": int(NO_DAY),
    "severity": -1,
    "primary": -1,
}
MEASURES = ("bend", "lag")


def _number(table: str, column: str, value: Any) -> Any:
    if not isinstance(value, str):
        return value
    if column in ("joint", "bone"):
        return LOOK.place_position[value]
    if column in ("category", "reason", "primary"):
        return LOOK.category_position[value]
    if column == "measure":
        return MEASURES.index(value)
    if column == "role":
        return ROLES.index(value)
    if column == "severity":
        return SEVERITY_GRADES.index(value)
    contract = {"through": "through_fixation_site", "origin": "source"}.get(column, column)
    return EXPORTS[table][contract].vocabulary.index(value)


def numbered(table: str, default: Row, rows: list[Row]) -> pd.DataFrame:
    full = [{**default, **row} for row in rows]
    frame = pd.DataFrame(
        [{name: _number(table, name, value) for name, value in row.items()} for row in full],
        columns=list(default),
    )
    kinds = {bool: "bool", float: "float64", tuple: "object"}
    frame = frame.astype({name: kinds.get(type(value), "int64") for name, value in default.items()})
    return frame.assign(row=np.arange(len(frame)), record=np.arange(len(frame)))


@dataclass(frozen=True)
class Sorted:
    """The complications in words."""

    found: Classified
    measures: tuple[str, ...] = ()  # of each reading

    def rows(self, case: int = 0) -> dict[tuple[str, str], tuple[str, str, int]]:
        """(category, level) → status, strength, day, without any complication."""
        own = self.found.complications
        own = own[(own["case"] == case) & (own["category"] < len(LOOK.categories))]
        return {
            (LOOK.categories[c], CATALOGUE.complications[LOOK.categories[c]].levels[level].key): (
                STATUSES[status], STRENGTHS[strength], int(day),
            )
            for c, level, status, strength, day in own[["category", "level", "status", "strength", "day"]].to_numpy()
        }  # fmt: skip

    def any_of(self, case: int = 0) -> list[tuple[str, int]]:
        """Status and day of any complication."""
        own = self.found.complications
        own = own[(own["case"] == case) & (own["category"] == len(LOOK.categories))]
        return [(STATUSES[s], int(d)) for s, d in zip(own["status"], own["day"], strict=True)]

    def told(self, column: str, case: int = 0) -> dict[tuple[str, str], str | None]:
        """(category, level) → `grade` or `parent` in words, None without one; without any complication."""
        own = self.found.complications
        own = own[(own["case"] == case) & (own["category"] < len(LOOK.categories))]
        words = (*(SEVERITY_GRADES if column == "grade" else LOOK.categories), None)
        return {
            (LOOK.categories[c], CATALOGUE.complications[LOOK.categories[c]].levels[level].key): words[said]
            for c, level, said in own[["category", "level", column]].to_numpy()
        }

    def evidence_measures(self) -> set[str]:
        """Motions with a reading beyond a limit."""
        rows = self.found.evidence.loc[self.found.evidence["table"] == "measurements", "row"]
        return {self.measures[row] for row in rows}

    def highest(self) -> str | None:
        """Grade of any complication that counts."""
        own = self.found.complications
        own = own[(own["category"] == len(LOOK.categories)) & (own["status"] == COUNTED)]
        return (*SEVERITY_GRADES, None)[int(own["grade"].iloc[0])]

    def reasons(self) -> list[str | None]:
        """Of each later operation that is a return or planned, in time order."""
        return [(*LOOK.categories, None)[reason] for reason in self.found.returns["reason"]]

    def verdicts(self) -> dict[tuple[int, str], tuple[str, int]]:
        """(case, category) → verdict, day."""
        own = self.found.decided
        columns = own[["case", "category", "verdict", "day"]].to_numpy()
        return {(int(case), LOOK.categories[c]): (VERDICTS[v], int(day)) for case, c, v, day in columns}


def _frames(
    events: list[Row], followups: list[Row], readings: list[Row], later: list[Row]
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    return (
        numbered("events", EVENT, events).assign(coded=lambda e: e["category"] >= 0),
        numbered("followups", FOLLOWUP, followups),
        numbered("measurements", READING, readings),
        numbered("operations", LATER, later),
    )


def facts_of(
    tables: tuple[pd.DataFrame, ...], decisions: list[Row], patients: pd.DataFrame, cases: pd.DataFrame
) -> Facts:
    events, followups, readings, _ = (
        table.assign(site=0, patient=0, side=table.get("side", LEFT), day=table["day"] + PERFORMED)
        for table in tables
    )
    decided = numbered("", DECISION, decisions)
    decided = decided.assign(operation=cases["operation"].to_numpy()[decided["case"].astype(int)], side=LEFT)
    empty = pd.DataFrame()
    return Facts(
        operations=empty, concomitants=empty, links=empty, codes=empty,
        events=events.drop(columns=["case", "pending", "first", "why", "record"]),
        followups=followups.drop(columns=["case", "pending", "first", "why", "record"]),
        measurements=readings.drop(columns=["case", "pending", "first", "why", "record"]),
        patients=patients,
        decisions=decided.assign(
            counts=decided["counts"].astype("int64"), first=decided["counts"].astype("int64"), began=decided["decided"],
            position=decided["row"],
        ).drop(columns=["case", "row", "record"]),
        sites=("harbour",), surgeons=(), measures=MEASURES, unisolating=np.zeros((0, 0), bool), fixations=(), by={},
        patient_hashes=np.zeros(1, dtype=np.uint64),
        received={
            name: np.full(50, RECEIVED)
            for name in ("operations", "events", "followups", "measurements", "patients")
        },
    )  # fmt: skip


def linked_of(tables: tuple[pd.DataFrame, ...], cases: pd.DataFrame) -> Linked:
    *records, later = tables
    columns = ["table", "row", "record", "case", "day", "pending", "first", "why"]
    names = ("events", "followups", "measurements")
    links = [(n, LOOK.procedure_position[p]) for n, done in enumerate(later["procedures"]) for p in done]
    empty = pd.DataFrame()
    return Linked(
        cases=cases,
        chain=later.drop(columns=["procedures", "record"]).assign(
            operation=later["row"] + 10, pending=False, first=True, why=-1,
            procedure=[LOOK.procedure_position[p[-1]] for p in later["procedures"]],
        ),
        chain_procedures=pd.DataFrame(links, columns=["link", "procedure"]).astype("int64"),
        sitting_holes=LOOK.holes[cases["procedure"].to_numpy()],
        concomitant=empty,
        sitting_limits=LOOK.limits[cases["procedure"].to_numpy()],
        records=pd.concat(
            [table.assign(table=name)[columns] for name, table in zip(names, records, strict=True)], ignore_index=True
        ),
        unattributed=empty, shared_visits=empty, flow=empty, members=empty,
    )  # fmt: skip


@pytest.fixture
def classify() -> Callable[..., Sorted]:
    """`classify(events=[…], followups=[…], readings=[…], later=[…], decisions=[…], cases=["sew"])`."""

    def build(
        events: list[Row] = (), followups: list[Row] = (), readings: list[Row] = (), later: list[Row] = (),
        decisions: list[Row] = (), cases: tuple[str, ...] = ("sew",), died: int = int(NEVER),
        settings: Settings | None = None,
    ) -> Sorted:  # fmt: skip
        size = len(cases)
        frame = pd.DataFrame(
            {
                "operation": np.arange(size), "side": LEFT, "patient": 0, "performed": PERFORMED, "site": 0,
                "procedure": [LOOK.procedure_position[key] for key in cases], "died": died,
            }
        ).astype("int64")  # fmt: skip
        dead = [{"row": 0, "site": 0, "patient": 0, "died": died + PERFORMED, "moved": int(NO_DAY)}]
        patients = pd.DataFrame(dead if died != NEVER else [], columns=list(dead[0])).astype("int64")
        tables = _frames(list(events), list(followups), list(readings), list(later))
        facts = facts_of(tables, list(decisions), patients, frame)
        measures = tuple(reading.get("measure", "bend") for reading in readings)
        return Sorted(classified(facts, linked_of(tables, frame), LOOK, settings or Settings()), measures)

    return build


@pytest.fixture
def why() -> Callable[[str], int]:
    return PENDING.index
