"""Random audits hidden by the program and attacked by other means: no figure of few patients can be worked out.

A plain run tries a part of them; `AUDITS=all pytest tests/disclosure` tries 500.
"""

from __future__ import annotations

import os

import pandas as pd
import pytest

from pipeline.disclosure.basis import truth_of, with_gaps
from pipeline.disclosure.hiding import hidden_figures
from pipeline.disclosure.refreshing import mixed, opened, outcomes, to_repeat
from tests.disclosure.audits import NAME, PUBLIC, Attack, basis_of, cases_of, later

SMALLEST = 5
ALL = os.environ.get("AUDITS") == "all"
SEEDS = range(500 if ALL else 20)
KEYS = ["part", "stratum_value", "procedure", "category", "window_days"]
PAIRS = range(120 if ALL else 8)


def shown_of(basis: pd.DataFrame) -> pd.DataFrame:
    truth = truth_of(basis, PUBLIC, {})
    return with_gaps(basis, hidden_figures(truth, SMALLEST))


def told_too_closely(attack: Attack) -> list[tuple[object, ...]]:
    """Figures of few patients that cannot be 1, or cannot be 4; a sum of rows that are there cannot be below their number."""
    found = []
    for row, kind in attack.few(SMALLEST):
        low, high = attack.range_of(row, kind)
        least = max(1, attack.parts_of(row)) if kind == "cases" else 1
        if low > least + 1e-6 or high < SMALLEST - 1 - 1e-6:
            found.append(
                (
                    row["part"],
                    row["stratum_value"],
                    row["procedure"],
                    row["category"],
                    row["window_days"],
                    kind,
                    low,
                    high,
                )
            )
    return found


@pytest.mark.parametrize("block", range(10))
def test_nothing_of_a_random_audit_can_be_worked_out(block: int) -> None:
    attacked = 0
    for seed in SEEDS[block::10]:
        attack = Attack(shown_of(basis_of(cases_of(seed))))
        assert (seed, told_too_closely(attack)) == (seed, [])
        attacked += sum(1 for _ in attack.few(SMALLEST))
    assert attacked > 10


def test_what_is_not_hidden_is_shown() -> None:
    """Four hospitals with so many of everything that nothing is of few patients."""
    cases = pd.concat([cases_of(3)] * 30, ignore_index=True)
    cases["patient"] = range(len(cases))
    shown = shown_of(basis_of(cases))
    few = [column for column in shown if column.startswith("patients_")]
    assert not shown[few].isin([1, 2, 3, 4]).any(axis=None)
    assert not shown.loc[shown["part"] == "whole", ["hides_cases", "hides_lost", "hides_events"]].any(
        axis=None
    )


@pytest.mark.parametrize("block", range(4))
def test_nothing_can_be_worked_out_from_two_editions(block: int) -> None:
    refreshed = 0
    for seed in PAIRS[block::4]:
        cases = cases_of(seed)
        before = shown_of(basis_of(cases, "2026-04/1"))
        fresh = shown_of(basis_of(later(cases, seed, (0, 3, 60)[seed % 3]), NAME))
        repeated = to_repeat(fresh, before, SMALLEST)
        while (
            more := (opened(mixed(fresh, before, repeated), before, PUBLIC, SMALLEST) & outcomes(before))
            - repeated
        ):
            repeated |= more
        shown = mixed(fresh, before, repeated)
        refreshed += int((shown["figures_of"] == NAME).any())
        both = pd.concat([shown, before]).drop_duplicates([*KEYS, "figures_of"])
        assert (seed, told_too_closely(Attack(both))) == (seed, [])
        assert (seed, changes_of_few(shown, before)) == (seed, [])
    assert refreshed >= 0


def changes_of_few(shown: pd.DataFrame, before: pd.DataFrame) -> list[tuple[object, ...]]:
    """Figures shown in both editions that differ by fewer than five patients."""
    both = shown.merge(before, on=KEYS, suffixes=("", "_then"))
    found = []
    for kind in ("cases", "lost", "events"):
        open_ = ~both[f"hides_{kind}"] & ~both[f"hides_{kind}_then"] & (both["part"] != "beside")
        moved = both[kind] != both[f"{kind}_then"]
        few = (both[f"patients_{kind}"] - both[f"patients_{kind}_then"]).abs() < SMALLEST
        found += both.loc[open_ & moved & few, KEYS].itertuples(index=False, name=None)
    return found
