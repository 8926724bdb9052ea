"""Invented audits, counted case by case by plain means, and attacks on what is shown of them.

Nothing here uses the program's equations: worlds are whole cases, and the attack writes every sum and rule down by name.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import numpy as np
import pandas as pd
from scipy.optimize import linprog

from pipeline.disclosure.sheet import Public

WINDOWS = (30, 90)
NAME = "2026-10/1"
#: Category → level and the way it is followed; `any` is either of the others.
CATEGORIES = {"crack": "records", "stiff": "visit", "any": "visit"}
PUBLIC = Public("any", ("crack", "stiff"), {"crack": "m", "stiff": "m"}, CATEGORIES, frozenset(), (), True)
COUNTS = ("cases", "lost", "events")


def cases_of(seed: int) -> pd.DataFrame:
    """One row a case: where, who, how many windows are closed, until which each way observes, when it happened (9: never)."""
    rng = np.random.default_rng(seed)
    number = int(rng.integers(12, 110))
    sites, procedures = int(rng.integers(2, 4)), int(rng.integers(2, 4))
    risk, lost = rng.choice([0.03, 0.1, 0.3]), rng.choice([0.0, 0.1, 0.3])
    cases = pd.DataFrame(
        {
            "site": [f"s{n}" for n in rng.integers(0, sites, number)],
            "procedure": [f"p{n}" for n in rng.integers(0, procedures, number)],
            "closed": rng.choice([1, 2], number, p=[0.2, 0.8]),
            "isolated": rng.random(number) < 0.8,
        }
    )
    again = rng.random(number) < 0.1
    cases["patient"] = np.where(again, rng.integers(0, number, number), np.arange(number))
    for way in ("records", "visit"):
        cases[way] = np.where(rng.random(number) < lost, rng.integers(0, 2, number), 2)
    for category in ("crack", "stiff"):
        cases[category] = np.where(rng.random(number) < risk, rng.integers(1, 3, number), 9)
    cases["any"] = cases[["crack", "stiff"]].min(axis=1)
    return cases


def later(cases: pd.DataFrame, seed: int, more: int) -> pd.DataFrame:
    """The same cases some months on: all windows closed, and new cases."""
    fresh = cases_of(seed + 100_000).head(more).assign(patient=lambda rows: rows["patient"] + 100_000)
    fresh = fresh[fresh["site"].isin(cases["site"]) & fresh["procedure"].isin(cases["procedure"])]
    return pd.concat([cases.assign(closed=2), fresh], ignore_index=True)


def basis_of(cases: pd.DataFrame, name: str = NAME) -> pd.DataFrame:
    """The figures and patients of every row, each counted on its own."""
    rows = []
    places = [("none", "", "all", cases)]
    places += [("none", "", p, own) for p, own in cases.groupby("procedure")]
    places += [("site", s, "all", own) for s, own in cases.groupby("site")]
    places += [("site", s, p, own) for (s, p), own in cases.groupby(["site", "procedure"])]
    for (stratum, value, procedure, own), (at, days), category in itertools.product(
        places, enumerate(WINDOWS, 1), CATEGORIES
    ):
        rows.append(_row("whole", (stratum, value, procedure), own, at, days, category, name))
    rows += _compared(cases, name)
    return pd.DataFrame([row for row in rows if row["cases"] or row["part"] == "beside"])


def _compared(cases: pd.DataFrame, name: str) -> list[dict[str, object]]:
    """Arms: isolated cases of the first two procedures; beside them the others of each."""
    rows = []
    for part, procedure in (("arm_a", "p0"), ("arm_b", "p1")):
        own = cases[cases["procedure"] == procedure]
        arm = _row(part, ("none", "", procedure), own[own["isolated"]], 2, 90, "any", name)
        rest = _row("beside", ("none", "", procedure), own[~own["isolated"]], 2, 90, "any", name)
        rows += [arm, rest] if (own["closed"] >= 2).any() else []
    return rows if len(rows) == 4 and all(row["cases"] for row in rows if row["part"] != "beside") else []


def _row(
    part: str, place: tuple[str, str, str], own: pd.DataFrame, at: int, days: int, category: str, name: str
) -> dict[str, object]:
    closed = own[own["closed"] >= at]
    had = closed[category] <= at
    seen = had | (closed[CATEGORIES[category]] >= at)
    kinds = {"cases": had | True, "lost": ~seen, "events": had, "quiet": seen & ~had, "without": ~had}
    counts = {kind: int(chosen.sum()) for kind, chosen in kinds.items()}
    patients = {f"patients_{kind}": closed.loc[chosen, "patient"].nunique() for kind, chosen in kinds.items()}
    stratum, value, procedure = place
    return {
        "part": part, "stratum": stratum, "stratum_value": value, "procedure": procedure, "category": category,
        "level": "any" if category == "any" else "m", "window_days": days, "figures_of": name,
        **{kind: counts[kind] for kind in COUNTS}, **patients,
        **{f"hides_{kind}": False for kind in COUNTS},
    }  # fmt: skip


# ---------------------------------------------------------------- an attack of its own


class Attack:
    """Every figure that is shown, as an equation over named unknowns; then the least and most of each hidden one."""

    def __init__(self, shown: pd.DataFrame) -> None:
        """
        Args:
            shown: A basis with its gaps, of one or several editions.
        """
        self.rows = shown.to_dict("records")
        self.number: dict[tuple, int] = {}
        self.equal: list[tuple[dict[int, float], float]] = []
        self.below: list[tuple[dict[int, float], float]] = []
        self.parts = {
            self._key(row): row for row in self.rows if row["part"] == "whole" and self._is_part(row)
        }
        for row in self.rows:
            self._written(row)
        for key in self.parts:
            self._rules(key)
        for row in self.rows:
            if row["part"] in ("arm_a", "arm_b"):
                for kind in ("lost", "events", "quiet"):
                    self._at_most(self.form(row, kind), self._parent(row, kind))
                    self._at_most({}, self.form(row, kind))

    @staticmethod
    def _is_part(row: dict) -> bool:
        return row["stratum"] == "site" and row["procedure"] != "all"

    @staticmethod
    def _key(row: dict) -> tuple:
        return row["figures_of"], row["stratum_value"], row["procedure"], row["category"], row["window_days"]

    def unknown(self, *name: object) -> int:
        return self.number.setdefault(name, len(self.number))

    def _of_part(self, key: tuple, kind: str) -> dict[int, float]:
        date, site, procedure, _, days = key
        cases = {self.unknown("cases", date, site, procedure, days): 1.0}
        lost = {self.unknown("lost", *key): 1.0}
        events = {self.unknown("events", *key): 1.0}
        plain = {"cases": cases, "lost": lost, "events": events, "without": _sum(cases, (events, -1))}
        return plain.get(kind) or _sum(_sum(cases, (events, -1)), (lost, -1))

    def form(self, row: dict, kind: str) -> dict[int, float]:
        """A figure of a row as factors of unknowns."""
        if row["part"] == "beside":
            arms = [
                arm for arm in self.rows if arm["part"].startswith("arm") and self._key(arm) == self._key(row)
            ]
            form = self._parent(row, kind)
            for arm in arms:
                form = _sum(form, (self.form(arm, kind), -1))
            return form
        if row["part"] != "whole":
            own = {name: {self.unknown(row["part"], name, row["figures_of"]): 1.0} for name in COUNTS}
            without = _sum(own["cases"], (own["events"], -1))
            return {**own, "without": without, "quiet": _sum(without, (own["lost"], -1))}[kind]
        return self._parent(row, kind)

    def _parent(self, row: dict, kind: str) -> dict[int, float]:
        form: dict[int, float] = {}
        date, site, procedure, category, days = self._key(row)
        for key in self.parts:
            fits = key[0] == date and key[3:] == (category, days)
            if fits and (row["stratum"] == "none" or key[1] == site) and procedure in ("all", key[2]):
                form = _sum(form, (self._of_part(key, kind), 1))
        return form

    def _written(self, row: dict) -> None:
        if row["part"] == "beside":
            return
        for kind in COUNTS:
            if not row[f"hides_{kind}"]:
                self.equal.append((self.form(row, kind), float(row[kind])))

    def _at_most(self, smaller: dict[int, float], larger: dict[int, float]) -> None:
        self.below.append((_sum(smaller, (larger, -1)), 0.0))

    def _rules(self, key: tuple) -> None:
        date, site, procedure, category, days = key
        cases, lost, events, quiet = (
            self._of_part(key, kind) for kind in ("cases", "lost", "events", "quiet")
        )
        self._at_most({}, quiet)
        self.below.append((dict.fromkeys(cases, -1.0), -1.0))
        unseen = {self.unknown("unseen", date, site, procedure, CATEGORIES[category], days): 1.0}
        self._at_most(lost, unseen)
        self._at_most(unseen, _sum(lost, (events, 1)))
        members = [(date, site, procedure, member, days) for member in ("crack", "stiff")]
        if category == "any" and all(member in self.parts for member in members):
            one, other = (self._of_part(member, "events") for member in members)
            self._at_most(one, events)
            self._at_most(other, events)
            self._at_most(events, _sum(one, (other, 1)))
        earlier = (date, site, procedure, category, 30)
        if days == 90 and earlier in self.parts:
            self._at_most(self._of_part(key, "without"), self._of_part(earlier, "without"))
            self._at_most(cases, self._of_part(earlier, "cases"))

    def range_of(self, row: dict, kind: str) -> tuple[float, float]:
        """The least and most that a figure can be."""
        form = self.form(row, kind)
        ends = []
        for sign in (1.0, -1.0):
            cost = np.zeros(len(self.number))
            for number, factor in form.items():
                cost[number] = sign * factor
            answer = linprog(
                cost, *self._dense(self.below), *self._dense(self.equal), bounds=(0, 10_000), method="highs"
            )
            assert answer.status == 0, answer.message
            ends.append(sign * answer.fun)
        return ends[0], ends[1]

    def _dense(
        self, rules: list[tuple[dict[int, float], float]]
    ) -> tuple[np.ndarray | None, np.ndarray | None]:
        if not rules:
            return None, None
        matrix = np.zeros((len(rules), len(self.number)))
        for at, (form, _) in enumerate(rules):
            for number, factor in form.items():
                matrix[at, number] = factor
        return matrix, np.array([value for _, value in rules])

    def few(self, smallest: int) -> Iterator[tuple[dict, str]]:
        """Figures of at least one patient and fewer than `smallest`."""
        for row in self.rows:
            for kind in ("cases", "lost", "events", "quiet", "without"):
                if 1 <= row[f"patients_{kind}"] < smallest:
                    yield row, kind

    def parts_of(self, row: dict) -> int:
        return len(self._parent(row, "cases")) if row["part"] == "whole" else 1


def _sum(form: dict[int, float], more: tuple[dict[int, float], float]) -> dict[int, float]:
    other, factor = more
    total = dict(form)
    for number, value in other.items():
        total[number] = total.get(number, 0.0) + factor * value
    return total
