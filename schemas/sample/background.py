"""What a hospital notes of a patient and an operation beside the operation itself."""

from __future__ import annotations

import numpy as np
import pandas as pd

from schemas.sample.people import CLAVICLE, CORACOCLAVICULAR, LABRUM, OPERATIONS, STABILISATION, TIGHTENING

YES_NO = np.array(["no", "yes"])
APPROACHES = (
    "médial parapatellar",
    "lateral",
    "open",
    "arthroscopic",
    "deltopectoral",
    "mini-open",
    "open",
    "open",
)


def described(cases: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """The cases with the optional columns of an operation; missing numbers are null, missing words empty."""
    operation, age = cases["operation"].to_numpy(), cases["age"].to_numpy()
    knee = operation <= TIGHTENING
    told = cases.assign(
        asa_class=np.where(age > 55, rng.integers(1, 4, len(cases)), rng.integers(1, 3, len(cases))),
        smoker=_yes(rng, cases, 0.18), diabetes=_yes(rng, cases, 0.04), bmi=rng.normal(25, 3.4, len(cases)).clip(16, 44).round(1),
        dominant_side=np.where(rng.random(len(cases)) < 0.88, "right", "left"), claim=_yes(rng, cases, 0.03),
        prior_operation_same_joint=_yes(rng, cases, 0.08), operated_by=_who(rng, len(cases)),
        growth_plates_open=np.where(knee, YES_NO[(age < 15).astype(int)], ""),
        urgency=np.where(np.isin(operation, [CORACOCLAVICULAR, CLAVICLE]), "urgent", "elective"),
        approach=np.array(APPROACHES, dtype=object)[operation],
        lesion_class=np.where(knee, rng.choice(["A", "B", "C"], len(cases)), ""),
        implant_count=np.where(operation == TIGHTENING, 0, rng.integers(1, 4, len(cases))).astype(float),
        diagnosis_code=_diagnoses(cases),
    )  # fmt: skip
    return _history(_sport(told, rng), rng)


def _yes(rng: np.random.Generator, cases: pd.DataFrame, share: float) -> np.ndarray:
    return YES_NO[(rng.random(len(cases)) < share).astype(int)]


def _who(rng: np.random.Generator, count: int) -> np.ndarray:
    words = ["responsible_surgeon", "trainee_with_surgeon", "trainee_alone"]
    return rng.choice(words, count, p=[0.62, 0.32, 0.06])


def _diagnoses(cases: pd.DataFrame) -> np.ndarray:
    pairs = np.array([operation.diagnosis for operation in OPERATIONS], dtype=object)
    code = pairs[cases["operation"].to_numpy(), (cases["side"] == "left").to_numpy().astype(int)]
    return np.where(cases["bilateral"], "", code).astype(object)


def _sport(told: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    words = ["pivoting", "contact", "overhead", "endurance", "other", "none"]
    sport = rng.choice(words, len(told), p=[0.34, 0.16, 0.14, 0.12, 0.1, 0.14])
    level = rng.choice(["recreational", "competitive", "professional"], len(told), p=[0.66, 0.32, 0.02])
    return told.assign(sport=sport, sport_level=np.where(sport == "none", "none", level))


def _history(told: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    unstable = (told["operation"] <= STABILISATION) | (told["operation"] == LABRUM)
    episodes = np.where(unstable, rng.poisson(2.2, len(told)) + 1.0, np.nan)
    weeks = np.where(told["urgency"] == "elective", rng.integers(4, 80, len(told)), 0)
    onset = told["performed"].to_numpy() - weeks * 7 - rng.integers(3, 40, len(told))
    weeks = np.where(told["urgency"] == "elective", weeks.astype(float), np.nan)
    return told.assign(
        earlier_episodes=episodes, nonoperative_weeks=weeks, onset_on=onset.astype("datetime64[D]")
    )
