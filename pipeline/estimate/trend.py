"""Whether risk rises or falls from one age band to the next."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.estimate.proportions import check_counts

ONE_BAND = "trend not estimable: cases in fewer than two age bands"
NO_EVENTS = "trend not estimable: no case has an event"
ALL_EVENTS = "trend not estimable: every case has an event"
SEPARATED = "trend not estimable: an age parts the cases with events from those without"
NOT_CONVERGED = "trend not estimable: the model did not settle"


@dataclass(frozen=True)
class Trend:
    """Log odds ratio of one step of the score, one per row of bands.

    Attributes:
        slope, low, high: float64 (trends,); nan where it cannot be estimated.
        method: How.
        why: str (trends,); the reason where it cannot, else empty.
    """

    slope: np.ndarray
    low: np.ndarray
    high: np.ndarray
    method: str
    why: np.ndarray


def trend(
    events: np.ndarray, cases: np.ndarray, confidence: float, scores: np.ndarray | None = None
) -> Trend:
    """Slope of a logistic line over bands, with the interval of Wald.

    One model a row, by statsmodels: for the few comparisons that are stated, not for tables of thousands.

    Args:
        events, cases: Whole numbers (trends, bands).
        confidence: Between 0 and 1.
        scores: float (bands,), where each band stands, all different; default 0, 1, 2, …: a slope per band.

    Raises:
        ImpossibleCounts: Fewer than no events, or more events than cases.
    """
    check_counts(events, cases)
    where = np.arange(cases.shape[1], dtype=float) if scores is None else np.asarray(scores, dtype=float)
    why = _not_estimable(events, cases, where)
    found = np.full((3, len(cases)), np.nan)
    for row in np.flatnonzero(why == ""):
        found[:, row] = _line(events[row], cases[row], where, confidence)
    why[(why == "") & np.isnan(found[0])] = NOT_CONVERGED
    return Trend(found[0], found[1], found[2], "logistic; Wald", why)


def _not_estimable(events: np.ndarray, cases: np.ndarray, scores: np.ndarray) -> np.ndarray:
    """Why a row has no slope, or nothing.

    A line without end fits best where no score of a case with an event lies below one of a case without, or none
    above.
    """
    some, others = events > 0, events < cases
    lowest, highest = (
        [end(np.where(each, scores, empty), axis=1) for each in (some, others)]
        for end, empty in ((np.min, np.inf), (np.max, -np.inf))
    )
    separated = (highest[1] <= lowest[0]) | (highest[0] <= lowest[1])
    bands = (cases > 0).sum(axis=1)
    reasons = [(bands < 2, ONE_BAND), (~some.any(axis=1), NO_EVENTS), (~others.any(axis=1), ALL_EVENTS)]
    chosen, words = zip(*reasons, (separated, SEPARATED), strict=True)
    return np.select(chosen, words, "").astype(object)


def _line(events: np.ndarray, cases: np.ndarray, scores: np.ndarray, confidence: float) -> list[float]:
    """Slope and limits, nan if the fit did not settle.

    Two rows a band, with events and without, weighted by how many: on one row a band the library divides by 0 where
    there are two bands.
    """
    from statsmodels.genmod.families import Binomial
    from statsmodels.genmod.generalized_linear_model import GLM

    weights = np.concatenate([events, cases - events]).astype(float)
    ended = np.repeat([1.0, 0.0], len(cases))
    design = np.stack([np.ones(len(weights)), np.tile(scores, 2)], axis=1)
    told = weights > 0
    model = GLM(ended[told], design[told], family=Binomial(), freq_weights=weights[told])
    fitted = model.fit(maxiter=200, tol=1e-12, tol_criterion="params")
    if not fitted.converged:
        return [np.nan] * 3
    return [float(fitted.params[1]), *fitted.conf_int(1 - confidence)[1].tolist()]
