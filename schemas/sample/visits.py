"""Who came back, when, and what was measured; losses included."""

from __future__ import annotations

import numpy as np
import pandas as pd

from schemas.sample import letters
from schemas.sample.chronicle import Chronicle
from schemas.sample.people import CLAVICLE, LAST_DAY

PLANNED_DAYS = np.array([14, 42, 92, 184, 366, 730])
SPREAD_DAYS = np.array([3, 6, 8, 14, 24, 40])
COMES = np.array([0.94, 0.92, 0.88, 0.80, 0.80, 0.60])
LOST_FOR_GOOD = 0.11  # share of patients who never come again from some visit on
#: Courses and asides that bring their own visits around three and six months.
OWN_VISITS = ("stiff", "released", "stiff_before", "stiff_once")


def _grid(told: Chronicle, tale: np.ndarray, died: np.ndarray) -> pd.DataFrame:
    """One row a planned visit that falls within the story, of the first case of each sitting."""
    rows = np.flatnonzero(~told.cases["sitting"].duplicated().to_numpy())
    jitter = told.rng.normal(0, 1, (len(rows), 6)).clip(-2, 2) * SPREAD_DAYS
    day = (PLANNED_DAYS + jitter).astype(np.int64)
    last_visit = np.where(told.some(rows, LOST_FOR_GOOD), told.rng.integers(1, 5, len(rows)), 6)
    visit = np.broadcast_to(np.arange(6), day.shape)
    alive = (died[rows, None] < 0) | (day < died[rows, None])
    own = np.isin(tale[rows], OWN_VISITS)[:, None] & ((visit == 2) | (visit == 3))
    planned = alive & ~own & (told.performed[rows, None] + day <= LAST_DAY)
    comes = (told.rng.random(day.shape) < COMES) & (visit < last_visit[:, None])
    grid = pd.DataFrame({"case": np.repeat(rows, 6), "visit": visit.ravel(), "day": day.ravel()})
    return grid.assign(comes=comes.ravel())[planned.ravel()].reset_index(drop=True)


def tell_visits(told: Chronicle, tale: np.ndarray, died: np.ndarray) -> None:
    """Planned visits with who came, readings at them, readings and scores before the operation."""
    grid = _grid(told, tale, died)
    _contacts(told, grid)
    came = grid[grid["comes"]]
    _readings(told, came)
    _before(told, tale)
    _scores(told, came)


def _contacts(told: Chronicle, grid: pd.DataFrame) -> None:
    came = grid[grid["comes"]]
    rows, day = came["case"].to_numpy(), came["day"].to_numpy()
    status = np.where((came["visit"] >= 3) & told.some(rows, 0.12), "remote", "seen")
    sport, returned = _sport(told, came)
    pain = np.clip(told.rng.normal(4.2 - came["visit"], 1.3), 0, 10).round().astype(np.int64)
    told.seen(rows, day, status=status, return_to_sport=sport, returned_after=returned, pain=pain,
              not_returned_because=_why_not(told, sport), note=_notes(told, rows))  # fmt: skip
    missed = grid[~grid["comes"]]
    rows = missed["case"].to_numpy()
    word = told.rng.choice(["did_not_attend", "moved", "declined", ""], len(rows), p=[0.5, 0.01, 0.01, 0.48])
    told.seen(rows[word != ""], missed["day"].to_numpy()[word != ""], status=word[word != ""])


def _sport(told: Chronicle, came: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Sport at half a year and later; days from the operation to the return, -1 for none."""
    rows, visit = came["case"].to_numpy(), came["visit"].to_numpy()
    plays = told.cases["sport_level"].to_numpy()[rows] != "none"
    drawn = told.rng.random(len(rows))
    answer = np.select(
        [drawn < 0.52, drawn < 0.72, drawn < 0.90], ["same_or_higher", "lower", "none"], "not_asked"
    )
    answer = np.where(plays, answer, "not_applicable")
    answer = np.where((visit >= 3) & ~told.cases["bilateral"].to_numpy()[rows], answer, "")
    back = np.isin(answer, ["same_or_higher", "lower"])
    after = (came["day"].to_numpy() * told.rng.uniform(0.6, 1.0, len(rows))).astype(np.int64)
    return answer, np.where(back, after, -1)


def _why_not(told: Chronicle, sport: np.ndarray) -> np.ndarray:
    reasons = told.rng.choice(
        ["operated_limb", "fear", "life_change", "other"], len(sport), p=[0.4, 0.3, 0.2, 0.1]
    )
    return np.where(sport == "none", reasons, "")


def _notes(told: Chronicle, rows: np.ndarray) -> np.ndarray:
    sentences = np.array(letters.WELL, dtype=object)[told.rng.integers(0, len(letters.WELL), len(rows))]
    return np.where(told.some(rows, 0.04), sentences, "")


def _readings(told: Chronicle, came: pd.DataFrame) -> None:
    """Within the limits from three months on; lower at six weeks, when nothing is judged."""
    share = np.array([0.0, 0.3, 0.85, 0.8, 0.7, 0.5])[came["visit"].to_numpy()]
    share = np.where(told.operation[came["case"].to_numpy()] == CLAVICLE, share * 0.6, share)
    read = came[told.rng.random(len(came)) < share]
    rows, day = read["case"].to_numpy(), read["day"].to_numpy()
    early, knee = read["visit"].to_numpy() == 1, told.knee(rows)
    bent = np.where(early, told.draw(85, 115, rows), told.draw(124, 145, rows))
    raised = np.where(early, told.draw(80, 115, rows), told.draw(126, 175, rows))
    _both_sides(told, rows, day, np.where(knee, "flexion", "forward_flexion"), np.where(knee, bent, raised))
    second = told.some(rows, 0.45) & ~early
    rows, day, knee = rows[second], day[second], knee[second]
    value = np.where(knee, told.draw(-3, 4, rows), told.draw(38, 75, rows))
    _both_sides(told, rows, day, np.where(knee, "extension_deficit", "external_rotation"), value)


def _both_sides(
    told: Chronicle, rows: np.ndarray, day: np.ndarray, measure: np.ndarray, value: np.ndarray
) -> None:
    """The reading of each case, and after an operation on both sides of the second case too."""
    told.reading(rows, day, measure, value.astype(float))
    pair = told.cases["bilateral"].to_numpy()[rows]
    told.reading(rows[pair] + 1, day[pair], measure[pair], value[pair].astype(float))


def _before(told: Chronicle, tale: np.ndarray) -> None:
    everyone = np.flatnonzero(tale != "stiff_before")
    rows = everyone[told.some(everyone, 0.6)]
    knee = told.knee(rows)
    value = np.where(knee, told.draw(124, 148, rows), told.draw(126, 178, rows))
    measure = np.where(knee, "flexion", "forward_flexion")
    told.reading(rows, -told.draw(2, 45, rows), measure, value.astype(float))


def _scores(told: Chronicle, came: pd.DataFrame) -> None:
    """The network's own 0-100 scores for knee and shoulder, before and at a year."""
    first = np.flatnonzero(~told.cases["bilateral"].to_numpy())
    rows = first[told.some(first, 0.6)]
    base = told.rng.normal(52, 12, len(told.operation)).clip(5, 95).round()
    _score(told, rows, -told.draw(2, 45, rows), base[rows])
    year = came[(came["visit"] == 4).to_numpy() & ~told.cases["bilateral"].to_numpy()[came["case"]]]
    rows = year["case"].to_numpy()
    _score(
        told,
        rows,
        year["day"].to_numpy(),
        (base[rows] + told.rng.normal(26, 11, len(rows))).clip(5, 100).round(),
    )


def _score(told: Chronicle, rows: np.ndarray, day: np.ndarray, points: np.ndarray) -> None:
    told.reading(rows, day, np.where(told.knee(rows), "knee_score", "shoulder_score"), points, mode="none")
