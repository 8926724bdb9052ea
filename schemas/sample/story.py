"""The demo's story: facts as the hospitals would know them, and what a right count has to find in them.

Written without looking at the pipeline or the catalogue: the words of procedures and complications stand here
as the definitions name them, and the truth follows from the facts, not from any counting code.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from schemas.sample import reviews, tables
from schemas.sample.asides import tell_asides, tell_deaths, tell_pairs
from schemas.sample.background import described
from schemas.sample.chronicle import Chronicle
from schemas.sample.courses import tell_courses
from schemas.sample.people import index_cases
from schemas.sample.records import Ids, all_operations, operations
from schemas.sample.truth import true_cases, true_complications
from schemas.sample.visits import tell_visits


@dataclass(frozen=True)
class Story:
    """Tables in the words of the contract, with `site` and the day on which the hospital knew (`known_on`).

    `cases` and `complications` are the truth; `decisions`, `links` and `merges` are what reviewers wrote.
    Days are numpy dates; everything else is text or numbers, missing text is empty.
    """

    cases: pd.DataFrame
    complications: pd.DataFrame
    tables: dict[str, pd.DataFrame]
    decisions: pd.DataFrame
    links: pd.DataFrame
    merges: pd.DataFrame


def told_story(cases: int, seed: int) -> Story:
    """The same story for the same arguments.

    Raises:
        ValueError: Fewer than one case.
    """
    if cases < 1:
        raise ValueError(f"cases is {cases}; a story needs at least one")
    rng = np.random.default_rng(seed)
    people = described(index_cases(cases, rng), rng)
    told = Chronicle(people, rng)
    course = tell_courses(told)
    free = _free(people) & (course == "")
    died = tell_deaths(told, free)
    aside = tell_asides(told, free & (died < 0))
    tell_pairs(told)
    tale = np.where(aside != "", aside, course)
    tell_visits(told, tale, died)
    return _written(told, tale, died)


def _free(people: pd.DataFrame) -> np.ndarray:
    """Cases of patients with one case, of which something beside may be told."""
    alone = ~people["patient"].duplicated(keep=False)
    return (alone & ~people["plain"]).to_numpy()


def _written(told: Chronicle, tale: np.ndarray, died: np.ndarray) -> Story:
    ids = Ids(told, all_operations(told, tale, died))
    events, event_ids = tables.events(told, ids)
    sent = {
        "operations": operations(told, ids),
        "events": events,
        "followups": tables.followups(told, ids, died),
        "measurements": tables.measurements(told, ids),
        "patients": tables.patients(told, ids, died),
        "surgeons": tables.surgeons(),
    }
    return Story(
        cases=true_cases(told, ids),
        complications=true_complications(told, ids),
        tables=sent,
        decisions=reviews.decisions(told, ids),
        links=reviews.links(told, ids, event_ids),
        merges=reviews.merges(told, ids),
    )
