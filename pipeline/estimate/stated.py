"""What is tested and said of the one comparison stated before the run, and of no other."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.catalogue import Catalogue
from pipeline.estimate.by_age import Adjusted, second_sentence
from pipeline.estimate.power import Power, power_of
from pipeline.estimate.two_arms import Tests, tests_of
from pipeline.estimate.verdicts import NO_CASES, NOT_COMPARED, Difference, verdict_of
from pipeline.settings import Settings

COUNTED = ("events_a", "cases_a", "events_b", "cases_b")
_TEXTS = ("p_method", "no_power")


def tested(
    table: pd.DataFrame, shown: np.ndarray, estimable: np.ndarray, settings: Settings, catalogue: Catalogue
) -> pd.DataFrame:
    """Tests, power and the verdict, for the stated comparison alone.

    Args:
        table: Comparisons with crude and adjusted figures and the reasons of `by_age.REASONS`.
        shown: bool by row: it can occur and is defined in both arms.
        estimable: bool by row: shown, and both arms have cases.
        settings: Its confidence and what difference is worthwhile.
        catalogue: How arms are called.

    Returns:
        The table with the columns of tests and power, `no_power` (why a figure of power is missing) and `verdict`.
    """
    primary = table["primary"].to_numpy(dtype=bool)
    chosen = np.flatnonzero(primary & estimable)
    counts = table[list(COUNTED)].to_numpy(dtype=np.int64)[chosen].tolist()
    alpha = 1 - settings.confidence
    tests = dict(zip(chosen.tolist(), map(_tests, counts), strict=True))
    powers = [_power(each, settings.worthwhile_difference, alpha) for each in counts]
    verdicts: list[str | None] = [None] * len(table)
    for at in np.flatnonzero(primary & (table["analysis"] == "all_cases").to_numpy()).tolist():
        own = dict(zip(table["analysis"][primary], np.flatnonzero(primary).tolist(), strict=True))
        verdicts[at] = _verdict(table, own, tests.get(at), alpha, catalogue) if shown[at] else NOT_COMPARED
    columns = {**_of_tests(list(tests.values())), **_of_power(powers)}
    placed = {name: _placed(name, values, chosen, len(table)) for name, values in columns.items()}
    return table.assign(**placed, verdict=pd.Series(verdicts, dtype="str"))


def _tests(counted: list[int]) -> Tests:
    events_a, cases_a, events_b, cases_b = counted
    return tests_of(events_a, cases_a, events_b, cases_b)


def _power(counted: list[int], worthwhile: float, alpha: float) -> Power:
    events_a, cases_a, events_b, cases_b = counted
    return power_of(events_a, cases_a, events_b, cases_b, worthwhile, alpha)


def _of_tests(tests: list[Tests]) -> dict[str, list[float] | list[str]]:
    return {
        "p_fisher": [each.fisher for each in tests],
        "p_exact": [each.exact for each in tests],
        "p_method": [each.name for each in tests],
    }


def _of_power(powers: list[Power]) -> dict[str, list[float] | list[str]]:
    return {
        "power": [each.chance for each in powers],
        "detectable_difference": [each.detectable for each in powers],
        "no_power": [each.why for each in powers],
    }


def _placed(name: str, values: list[float] | list[str], at: np.ndarray, rows: int) -> pd.Series:
    """A column of that many rows with the values at their places, else nothing."""
    column = pd.Series([None] * rows, dtype=object)
    column.iloc[at] = values
    return column.astype("str" if name in _TEXTS else float)


def _verdict(
    table: pd.DataFrame, own: dict[str, int], tests: Tests | None, alpha: float, catalogue: Catalogue
) -> str:
    """The sentences for the stated comparison, whose rows stand at `own` by analysis."""
    places = [own[analysis] for analysis in ("all_cases", "followed")]
    all_cases, followed = (_difference(table, at, "rd_ci_low", "rd_ci_high") for at in places)
    if all_cases is None or tests is None:
        return NO_CASES
    cases = table["cases_a"].to_numpy() + table["cases_b"].to_numpy()
    lost = int(cases[places[0]] - cases[places[1]])
    a, b = arm_names(table.iloc[places[0]], catalogue)
    within = [_adjusted(table, at) for at in places]
    first = verdict_of(a, b, all_cases, followed, lost, tests.exact, alpha)
    return f"{first} {second_sentence((a, b), all_cases, followed, *within)}".rstrip()


def _difference(table: pd.DataFrame, at: int, low: str, high: str) -> Difference | None:
    ends = [float(table[limit].to_numpy()[at]) for limit in (low, high)]
    return None if np.isnan(ends[0]) else Difference(*ends)


def _adjusted(table: pd.DataFrame, at: int) -> Adjusted:
    why = str(table["no_adj_difference"].iloc[at])
    return Adjusted(_difference(table, at, "adj_rd_low", "adj_rd_high"), why)


def arm_names(row: pd.Series, catalogue: Catalogue) -> tuple[str, str]:
    """The arms of a comparison as they stand within a sentence."""
    return arm_name(str(row["arm_a"]), catalogue), arm_name(str(row["arm_b"]), catalogue)


def arm_name(key: str, catalogue: Catalogue) -> str:
    """An arm as it stands within a sentence; a name that begins with an abbreviation keeps its capital."""
    entry = catalogue.procedures.get(key)
    name = entry.name if entry else key.replace("_", " ")
    return name if name[1:2].isupper() else name[:1].lower() + name[1:]
