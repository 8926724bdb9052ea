"""Measurements beyond a threshold of the catalogue, and who was measured at all."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.catalogue import Measured
from pipeline.classify.motions import limited_on_purpose, other_side
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


def readings_of(facts: Facts, linked: Linked, look: Lookup) -> pd.DataFrame:
    """Readings that belong to a case or await a link, also those before the operation.

    Left out are days on which nobody measured, and motions that an operation before them means to limit.
    """
    own = linked.records[linked.records["table"] == "measurements"].reset_index(drop=True)
    said = facts.measurements.iloc[own["record"]][["joint", "measure", "mode", "value"]].reset_index(
        drop=True
    )
    readings = pd.concat([own, said], axis=1)
    left_out = _nothing_measured(readings, _rules(look, facts.measures))
    return readings[~(left_out | limited_on_purpose(readings, facts, linked, look))]


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


def _of_joint(readings: pd.DataFrame, rule: _Rule) -> np.ndarray:
    joint = readings["joint"].to_numpy()
    here = (joint >= 0) & np.append(rule.places, False)[joint]
    return np.asarray(here & (readings["measure"] == rule.measure).to_numpy())


def _fitting(readings: pd.DataFrame, rule: _Rule) -> np.ndarray:
    return np.asarray(_of_joint(readings, rule) & (readings["mode"] == rule.mode).to_numpy())


def reading_evidence(readings: pd.DataFrame, facts: Facts, linked: Linked, look: Lookup) -> pd.DataFrame:
    """One row a reading and threshold it is beyond; `blocked` where the motion was so before the operation."""
    rules = _rules(look, facts.measures)
    names = thresholds(look)
    parts = []
    for rule in rules:
        own = readings[_fitting(readings, rule)]
        other = np.full(len(own), np.nan)
        if rule.measured.than_other:
            sent = facts.measurements
            other = other_side(own, sent[_fitting(sent, rule)], linked)
        parts += _of_rule(own, other, rule, names)
    columns = ["case", "day", "table", "row", "pending", "first", "why", "category", "limit", "blocked"]
    found = pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)
    return found.assign(strength=DEFINITE, kind=READING)


def _of_rule(
    readings: pd.DataFrame, other: np.ndarray, rule: _Rule, names: tuple[str, ...]
) -> list[pd.DataFrame]:
    beyond = {name: _beyond(readings["value"].to_numpy(), other, rule, name) for name in rule.measured.limits}
    after = (readings["day"] >= 0).to_numpy()
    before = _beyond_before(readings, beyond[""])
    blocked = np.where(readings["case"].isin(before), PRE_EXISTING, -1)
    told = readings.assign(category=rule.category, blocked=blocked)
    return [told[after & found].assign(limit=names.index(name)) for name, found in beyond.items()]


def _beyond(value: np.ndarray, other: np.ndarray, rule: _Rule, name: str) -> np.ndarray:
    """bool: past the threshold's limit, or so much worse than the other side (nan: not known)."""
    below, above = rule.measured.limits[name]
    more = rule.measured.than_other.get(name, np.inf)
    low = (value < below) | (value < other - more) if below is not None else False
    high = (value > above) | (value > other + more) if above is not None else False
    return np.asarray(low | high)


def _beyond_before(readings: pd.DataFrame, beyond: np.ndarray) -> np.ndarray:
    """Cases whose last reading before the operation was beyond the plain threshold already."""
    early = (readings["day"] < 0) & ~readings["pending"]
    before = readings.assign(beyond=beyond)[early].sort_values(["case", "day", "row"])
    last = before.drop_duplicates("case", keep="last")
    return np.asarray(last.loc[last["beyond"], "case"])


def assessed_cases(readings: pd.DataFrame, facts: Facts, look: Lookup) -> tuple[pd.DataFrame, pd.DataFrame]:
    """`case, category` with an admissible reading from the category's first day on, and the others that were read at all.

    Of the others, `row` is the last reading of a motion that the category asks for, though in another mode.
    """
    entries = list(look.catalogue.complications.values())
    columns = ["case", "category", "day", "row"]
    parts = [pd.DataFrame(columns=[*columns, "fits"])]
    for rule in _rules(look, facts.measures):
        first_day = max(entries[rule.category].first_day, 0)
        asked = _of_joint(readings, rule) & (readings["day"] >= first_day).to_numpy()
        own = readings[asked & ~readings["pending"].to_numpy()]
        parts.append(own.assign(category=rule.category, fits=own["mode"] == rule.mode)[[*columns, "fits"]])
    found = pd.concat(parts[1:] or parts).astype({**dict.fromkeys(columns, "int64"), "fits": bool})
    key = ["case", "category"]
    fits = found.loc[found["fits"], key].drop_duplicates().sort_values(key, ignore_index=True)
    known = pd.MultiIndex.from_frame(found[key]).isin(pd.MultiIndex.from_frame(fits))
    others = found[~known].sort_values([*key, "day", "row"]).drop_duplicates(key, keep="last")
    return fits, others[[*key, "row"]].reset_index(drop=True)
