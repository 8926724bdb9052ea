"""Audits so small that every world can be written down: what is shown leaves enough of them, and little more is hidden."""

from __future__ import annotations

import itertools
from functools import cache

import numpy as np
import pandas as pd
import pytest

from pipeline.disclosure.basis import truth_of, with_gaps
from pipeline.disclosure.hiding import hidden_figures
from tests.disclosure.audits import PUBLIC

SMALLEST = 5
CASES = 12  # of every site and procedure, all followed
Table = tuple[tuple[int, ...], ...]
Cell = tuple[int, int]


def basis_of(table: Table) -> pd.DataFrame:
    """Events of one category and window; sites in rows, procedures in columns; nobody is lost, each patient has one case."""
    events = np.array(table)
    rows = []
    for site, procedure in itertools.product(range(-1, events.shape[0]), range(-1, events.shape[1])):
        own = events[slice(None) if site < 0 else site, slice(None) if procedure < 0 else procedure]
        had, cases = int(own.sum()), CASES * int(np.size(own))
        counts = {"cases": cases, "lost": 0, "events": had, "quiet": cases - had, "without": cases - had}
        rows.append(
            {
                "part": "whole", "stratum": "none" if site < 0 else "site", "stratum_value": "" if site < 0 else f"s{site}",
                "procedure": "all" if procedure < 0 else f"p{procedure}", "category": "crack", "level": "m", "window_days": 30,
                "figures_of": "2026-10/1", "cases": cases, "lost": 0, "events": had,
                **{f"patients_{kind}": number for kind, number in counts.items()},
                "hides_cases": False, "hides_lost": False, "hides_events": False,
            }
        )  # fmt: skip
    return pd.DataFrame(rows)


def sums_of(table: np.ndarray) -> dict[Cell, int]:
    """The table with its sums; -1 is all together."""
    found = {(s, p): int(table[s, p]) for s in range(table.shape[0]) for p in range(table.shape[1])}
    found |= {(s, -1): int(table[s].sum()) for s in range(table.shape[0])}
    found |= {(-1, p): int(table[:, p].sum()) for p in range(table.shape[1])}
    return found | {(-1, -1): int(table.sum())}


@cache
def worlds(sites: int, procedures: int) -> list[dict[Cell, int]]:
    """Every table of this shape."""
    numbers = itertools.product(range(CASES + 1), repeat=sites * procedures)
    return [sums_of(np.array(each).reshape(sites, procedures)) for each in numbers]


def is_safe(table: Table, hidden: frozenset[Cell], every: list[dict[Cell, int]]) -> bool:
    """Among the worlds that read the same, each figure of 1 to 4 takes all of 1 to 5, each other hidden one is as wide."""
    truth = sums_of(np.array(table))
    shown = [cell for cell in truth if cell not in hidden]
    fits = [world for world in every if all(world[cell] == truth[cell] for cell in shown)]
    for cell in hidden:
        seen = {world[cell] for world in fits}
        small = 1 <= truth[cell] < SMALLEST
        if small and not set(range(1, SMALLEST + 1)) <= seen:
            return False
        if not small and max(seen) - min(seen) < SMALLEST:
            return False
    return not any(1 <= truth[cell] < SMALLEST for cell in shown)


def hidden_by_the_program(table: Table) -> frozenset[Cell]:
    truth = truth_of(basis_of(table), PUBLIC, {})
    basis = with_gaps(basis_of(table), hidden_figures(truth, SMALLEST))
    own = basis[basis["hides_events"]]
    sites = own["stratum_value"].str.removeprefix("s").replace("", "-1").astype(int)
    procedures = own["procedure"].replace("all", "p-1").str.removeprefix("p").astype(int)
    return frozenset(zip(sites.tolist(), procedures.tolist(), strict=True))


def fewest(table: Table, every: list[dict[Cell, int]]) -> int:
    """By trying all sets of gaps, smaller ones first."""
    truth = sums_of(np.array(table))
    must = frozenset(cell for cell, number in truth.items() if 1 <= number < SMALLEST)
    others = sorted(set(truth) - must)
    for more in range(len(others) + 1):
        for chosen in itertools.combinations(others, more):
            if is_safe(table, must | set(chosen), every):
                return len(must) + more
    raise AssertionError("all of it hidden is safe")


def tables(shape: tuple[int, int], number: int) -> list[Table]:
    """Some tables of few events, by chance, each with a small figure."""
    rng = np.random.default_rng(7)
    found: list[Table] = []
    while len(found) < number:
        made = rng.choice([0, 0, 1, 2, 3, 5, 6, 8], size=shape)
        if any(1 <= figure < SMALLEST for figure in sums_of(made).values()):
            found.append(tuple(tuple(int(figure) for figure in row) for row in made))
    return found


@pytest.mark.parametrize("table", tables((2, 2), 25), ids=str)
def test_every_world_of_a_small_table_is_counted(table: Table) -> None:
    hidden = hidden_by_the_program(table)
    assert is_safe(table, hidden, worlds(2, 2))


def test_little_more_is_hidden_than_must_be() -> None:
    """Measured on these 25 tables: 1.14 times the fewest gaps there can be, at worst 1.75 times."""
    hidden, least = [], []
    for table in tables((2, 2), 25):
        hidden.append(len(hidden_by_the_program(table)))
        least.append(fewest(table, worlds(2, 2)))
    factors = np.array(hidden) / np.array(least)
    assert (factors >= 1).all()
    assert sum(hidden) <= 1.2 * sum(least)
    assert factors.max() <= 1.75
