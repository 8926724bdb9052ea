"""Measurements beyond a threshold of the catalogue, and who was measured at all."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.catalogue import Measured
from pipeline.handover import READING, STATUSES, STRENGTHS, Facts, Linked
from pipeline.lookup import Lookup
from schemas.exports import EXPORTS

DEFINITE = STRENGTHS.index("definite")
PRE_EXISTING = STATUSES.index("pre_existing")
MODES = EXPORTS["measurements"]["mode"].vocabulary


@dataclass(frozen=True)
class _Rule:
    """A threshold rule of a category, as integers."""

    category: int
    measured: Measured
    places: np.ndarray  # (places,) bool: joints it speaks of
    measure: int
    mode: int


def thresholds(look: Lookup) -> tuple[str, ...]:
    """Names of thresholds; the plain one, without a name, is at 0."""
    entries = look.catalogue.complications.values()
    named = {name for entry in entries for rule in entry.measured for name in rule.limits}
    return ("", *sorted(named - {""}))


def _rules(look: Lookup, measures: tuple[str, ...]) -> list[_Rule]:
    """Rules whose measure was ever sent."""
    position = {measure: number for number, measure in enumerate(measures)}
    return [
        _Rule(
            category,
            rule,
            look.match[look.place_position[rule.joint]],
            position[rule.measure],
            MODES.index(rule.mode),
        )
        for category, entry in enumerate(look.catalogue.complications.values())
        for rule in entry.measured
        if rule.measure in position
    ]


def readings_of(facts: Facts, linked: Linked) -> pd.DataFrame:
    """Readings that belong to a case or await a link, also those before the operation; unusable ones left out."""
    own = linked.records[linked.records["table"] == "measurements"].reset_index(drop=True)
    said = facts.measurements.iloc[own["record"]][["joint", "measure", "mode", "value"]].reset_index(
        drop=True
    )
    return pd.concat([own, said], axis=1)


def _nothing_measured(readings: pd.DataFrame, rules: list[_Rule]) -> np.ndarray:
    """bool: a day on which every motion is 0, one of them a motion that should be large: nobody measured."""
    large = {
        rule.measure for rule in rules if any(below is not None for below, _ in rule.measured.limits.values())
    }
    motions = readings["measure"].isin({rule.measure for rule in rules}).to_numpy()
    zero = (readings["value"] == 0).to_numpy()
    day = [readings["case"], readings["day"]]
    all_zero = pd.Series(zero | ~motions).groupby(day).transform("min").to_numpy().astype(bool)
    has_large = readings["measure"].isin(large).groupby(day).transform("max").to_numpy().astype(bool)
    return motions & all_zero & has_large


def _fitting(readings: pd.DataFrame, rule: _Rule) -> np.ndarray:
    joint = readings["joint"].to_numpy()
    here = (joint >= 0) & np.append(rule.places, False)[joint]
    return (
        here & (readings["measure"] == rule.measure).to_numpy() & (readings["mode"] == rule.mode).to_numpy()
    )


def _beyond(value: np.ndarray, limits: tuple[float | None, float | None]) -> np.ndarray:
    below, above = limits
    low = value < below if below is not None else np.zeros(len(value), dtype=bool)
    high = value > above if above is not None else np.zeros(len(value), dtype=bool)
    return low | high


def reading_evidence(facts: Facts, linked: Linked, look: Lookup) -> pd.DataFrame:
    """One row a reading and threshold it is beyond; `blocked` where the motion was so before the operation."""
    readings = readings_of(facts, linked)
    rules = _rules(look, facts.measures)
    readings = readings[~_nothing_measured(readings, rules)]
    names = thresholds(look)
    parts = [part for rule in rules for part in _of_rule(readings[_fitting(readings, rule)], rule, names)]
    columns = ["case", "day", "table", "row", "pending", "first", "why", "category", "limit", "blocked"]
    found = pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)
    return found.assign(strength=DEFINITE, kind=READING)


def _of_rule(readings: pd.DataFrame, rule: _Rule, names: tuple[str, ...]) -> list[pd.DataFrame]:
    plain = rule.measured.limits.get("", (None, None))
    before = _beyond_before(readings, plain)
    after = readings[(readings["day"] >= 0)]
    blocked = np.where(after["case"].isin(before), PRE_EXISTING, -1)
    after = after.assign(category=rule.category, blocked=blocked)
    value = after["value"].to_numpy()
    return [
        after[_beyond(value, limits)].assign(limit=names.index(name))
        for name, limits in rule.measured.limits.items()
    ]


def _beyond_before(readings: pd.DataFrame, plain: tuple[float | None, float | None]) -> np.ndarray:
    """Cases whose last reading before the operation was beyond the plain threshold already."""
    before = readings[(readings["day"] < 0) & ~readings["pending"]].sort_values(["case", "day", "row"])
    last = before.drop_duplicates("case", keep="last")
    return last["case"].to_numpy()[_beyond(last["value"].to_numpy(), plain)]


def assessed_cases(facts: Facts, linked: Linked, look: Lookup) -> pd.DataFrame:
    """`case, category`: an admissible reading from the category's first day on."""
    readings = readings_of(facts, linked)
    rules = _rules(look, facts.measures)
    usable = readings[~_nothing_measured(readings, rules) & ~readings["pending"].to_numpy()]
    first_day = [entry.first_day for entry in look.catalogue.complications.values()]
    parts = []
    for rule in rules:
        own = usable[_fitting(usable, rule) & (usable["day"] >= max(first_day[rule.category], 0)).to_numpy()]
        parts.append(own[["case"]].assign(category=rule.category))
    found = pd.concat(parts) if parts else pd.DataFrame({"case": [], "category": []}, dtype="int64")
    return found.drop_duplicates().sort_values(["case", "category"], ignore_index=True)
