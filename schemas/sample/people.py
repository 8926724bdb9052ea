"""Who was operated on, on which day, by whom: the invented network's index cases.

A case is one performed operation on one side. Ages differ between operations on purpose: moving the tibial
tubercle waits until growth plates are closed, so its patients are older, and the risk of the knee operations
depends on age alone. Crude figures therefore differ between the two operations, figures within age bands do not.

One surgeon lies outside the limits, and for a reason one can find: for nine months this surgeon, and nobody else,
used a new anchor in shoulders. Before and after, the results are those of the colleagues.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

#: First and last day of the story. The last is the cut of the demo's edition.
START = np.datetime64("2024-05-01")
CUT = np.datetime64("2026-10-31")
FIRST_DAY = int(START.astype(int))
LAST_DAY = int(CUT.astype(int))

SITES = ("harbour", "millfield", "northgate")
SITE_SHARES = (0.5, 0.3, 0.2)
PREFIXES = ("HB", "MF", "NG")

AGE_EDGES = (25, 35)  # the risk is constant below, between and above


@dataclass(frozen=True)
class Operation:
    """An operation of the story; ages are mean, spread, lowest, highest; risks are by age as in `AGE_EDGES`."""

    key: str
    code: str
    joint: str
    region: str
    share: float
    ages: tuple[float, float, int, int]
    risks: tuple[float, float, float]
    diagnosis: tuple[str, str]  # right, left
    fixations: tuple[str, ...]
    women: float = 0.5


_KNEE_RISKS = (0.40, 0.08, 0.07)
_RECURRENT = ("M22.01", "M22.02")

OPERATIONS: tuple[Operation, ...] = (
    Operation("ligament_reconstruction", "KN11", "patellofemoral", "knee", 0.26, (18, 4.5, 11, 42), _KNEE_RISKS,
              _RECURRENT, ("interference_screw", "anchor"), 0.62),
    Operation("tubercle_transfer", "KN12", "patellofemoral", "knee", 0.15, (28, 6.5, 17, 48), _KNEE_RISKS,
              _RECURRENT, ("screw",), 0.60),
    Operation("soft_tissue_tightening", "KN13", "patellofemoral", "knee", 0.06, (16, 3, 9, 30), (0.30, 0.2, 0.2),
              _RECURRENT, ("suture",), 0.6),
    Operation("shoulder_stabilisation", "SH04", "glenohumeral", "shoulder", 0.12, (24, 6, 15, 50),
              (0.22, 0.12, 0.10), ("M24.411", "M24.412"), ("anchor", "screw"), 0.25),
    Operation("labral_repair", "SH05", "glenohumeral", "shoulder", 0.10, (28, 7, 16, 52), (0.16, 0.12, 0.12),
              ("M25.311", "M25.312"), ("anchor", "suture"), 0.3),
    Operation("biceps_tenodesis", "SH06", "shoulder", "shoulder", 0.09, (50, 9, 28, 76), (0.10, 0.10, 0.10),
              ("", ""), ("interference_screw", "button"), 0.35),
    Operation("coracoclavicular_reconstruction", "CL02", "acromioclavicular", "shoulder", 0.07, (37, 11, 17, 70),
              (0.22, 0.20, 0.20), ("S43.121A", "S43.122A"), ("button", "tape"), 0.2),
    Operation("clavicle_plate", "CL03", "clavicle", "shoulder", 0.10, (37, 14, 15, 81), (0.17, 0.15, 0.15),
              ("S42.021A", "S42.022A"), ("plate_superior", "plate_anterior"), 0.3),
)  # fmt: skip
LIGAMENT, TUBERCLE, TIGHTENING, STABILISATION, LABRUM, BICEPS, CORACOCLAVICULAR, CLAVICLE = range(8)
BOTH_SHARE = 0.05  # ligament and tubercle at one sitting: a quarter of all tubercle operations
OUTLYING = "HB-S4"  # the surgeon whose results lie outside the limits, because of the new anchor
ANCHORED = (STABILISATION, LABRUM)  # what the new anchor was used for
ANCHOR_FROM = int(np.datetime64("2024-09-01").astype(int))
ANCHOR_UNTIL = int(np.datetime64("2025-04-25").astype(int))
ANCHOR_RISK = 0.85


def _column(name: str) -> np.ndarray:
    return np.array([getattr(operation, name) for operation in OPERATIONS])


def index_cases(cases: int, rng: np.random.Generator) -> pd.DataFrame:
    """`cases` rows sorted by site and day, numbered by position.

    Columns: `site`, `sitting`, `patient`, `operation` (position in `OPERATIONS`), `both`, `bilateral`, `plain`
    (nothing shall go wrong), `performed` (days since 1970), `side`, `age`, `sex`, `surgeon`, `new_anchor`,
    `fixation`, `risk`.
    """
    pairs = int(0.012 * cases)
    second_side, other_problem = int(0.03 * cases), min(cases // 300, 40) or int(cases >= 50)
    sittings = _first_sittings(cases - pairs - second_side - other_problem, pairs, rng)
    sittings = pd.concat(
        [
            sittings,
            _on_the_other_side(sittings, second_side, rng),
            _for_another_problem(sittings, other_problem, rng),
        ],
        ignore_index=True,
    )
    sittings["performed"] = _on_weekdays(sittings["performed"].to_numpy())
    sittings["surgeon"] = _surgeons(sittings, rng)
    sittings["new_anchor"] = _new_anchor(sittings)
    fixations = _fixations(sittings["operation"].to_numpy(), rng)
    sittings["fixation"] = np.where(sittings["new_anchor"], "anchor", fixations)
    sittings["risk"] = _risks(sittings)
    ordered = sittings.sort_values(["site", "performed"], kind="stable", ignore_index=True)
    ordered["sitting"] = np.arange(len(ordered))
    return _one_row_a_side(ordered)


def _first_sittings(count: int, pairs: int, rng: np.random.Generator) -> pd.DataFrame:
    shares = _column("share")
    operation = rng.choice(
        len(OPERATIONS) + 1, count, p=[*shares / shares.sum() * (1 - BOTH_SHARE), BOTH_SHARE]
    )
    both = operation == len(OPERATIONS)
    operation = np.where(both, LIGAMENT, operation)
    sittings = pd.DataFrame({"operation": operation, "both": both, "plain": False})
    sittings["site"] = rng.choice(len(SITES), count, p=SITE_SHARES)
    sittings["patient"] = np.arange(count)
    sittings["performed"] = FIRST_DAY + rng.integers(0, LAST_DAY - FIRST_DAY + 1, count)
    sittings["side"] = np.where(rng.random(count) < 0.54, "right", "left")
    sittings["age"] = _ages(np.where(both, TUBERCLE, operation), rng)
    sittings["sex"] = np.where(rng.random(count) < _column("women")[operation], "female", "male")
    sittings["bilateral"] = False
    able = np.flatnonzero((operation == LIGAMENT) & ~both)
    sittings.loc[
        able[:pairs] if len(able) < pairs else rng.choice(able, pairs, replace=False), "bilateral"
    ] = True
    return sittings


def _ages(operation: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    mean, spread, low, high = _column("ages")[operation].T
    return np.clip(rng.normal(mean, spread), low, high).astype(np.int64)


def _repeats(sittings: pd.DataFrame, suits: np.ndarray, count: int, rng: np.random.Generator) -> pd.DataFrame:
    """Later sittings of patients who were operated on early in the story; one a patient."""
    early = (sittings["performed"] < FIRST_DAY + 480) & ~sittings["bilateral"] & suits
    able = np.flatnonzero(early)
    again = sittings.iloc[rng.choice(able, min(count, len(able)), replace=False)].copy()
    gap = rng.integers(120, 420, len(again))
    again["performed"] += gap
    again["age"] += gap // 365
    return again.assign(both=False)


def _on_the_other_side(sittings: pd.DataFrame, count: int, rng: np.random.Generator) -> pd.DataFrame:
    suits = sittings["operation"].isin([LIGAMENT, TIGHTENING, STABILISATION]) & ~sittings["both"]
    again = _repeats(sittings, suits.to_numpy(), count, rng)
    return again.assign(side=np.where(again["side"] == "left", "right", "left"))


def _for_another_problem(sittings: pd.DataFrame, count: int, rng: np.random.Generator) -> pd.DataFrame:
    """A later repair of the upper labrum in a shoulder stabilised before; nothing goes wrong with either."""
    again = _repeats(sittings, (sittings["operation"] == STABILISATION).to_numpy(), count, rng)
    sittings.loc[again.index, "plain"] = True
    return again.assign(operation=LABRUM, plain=True)


def _on_weekdays(day: np.ndarray) -> np.ndarray:
    rolled = np.busday_offset(day.astype("datetime64[D]"), 0, roll="backward").astype(np.int64)
    return np.maximum(rolled, FIRST_DAY)


def _surgeons(sittings: pd.DataFrame, rng: np.random.Generator) -> np.ndarray:
    """Two knee and two shoulder surgeons a site; a few knees are done by the third, none by the fourth."""
    knee = sittings["operation"].to_numpy() <= TIGHTENING
    number = np.where(knee, 1, 3) + rng.integers(0, 2, len(sittings))
    number = np.where(knee & (rng.random(len(sittings)) < 0.05), 3, number)
    names = np.array([[f"{prefix}-S{n}" for n in range(5)] for prefix in PREFIXES])
    return names[sittings["site"].to_numpy(), number]


def _new_anchor(sittings: pd.DataFrame) -> pd.Series:
    in_use = sittings["performed"].between(ANCHOR_FROM, ANCHOR_UNTIL)
    return (sittings["surgeon"] == OUTLYING) & sittings["operation"].isin(ANCHORED) & in_use


def _fixations(operation: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    words = np.array([(o.fixations * 2)[:2] for o in OPERATIONS])
    return words[operation, (rng.random(len(operation)) < 0.45).astype(int)]


def _risks(sittings: pd.DataFrame) -> np.ndarray:
    """Chance that something goes wrong in the first year."""
    band = np.searchsorted(AGE_EDGES, sittings["age"].to_numpy(), side="right")
    risk = _column("risks")[sittings["operation"].to_numpy(), band]
    risk = np.where(sittings["new_anchor"], ANCHOR_RISK, risk)
    return np.where(sittings["bilateral"] | sittings["plain"], 0.0, risk)


def _one_row_a_side(sittings: pd.DataFrame) -> pd.DataFrame:
    times = np.where(sittings["bilateral"], 2, 1)
    cases = sittings.loc[sittings.index.repeat(times)].reset_index(drop=True)
    second = cases["sitting"].duplicated().to_numpy()
    sides = np.where(second, "right", "left")
    cases["side"] = np.where(cases["bilateral"], sides, cases["side"])
    return cases
