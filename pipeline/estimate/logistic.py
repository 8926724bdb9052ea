"""Logistic regression on grouped counts: the usual fit, Firth's, and whether the first exists at all."""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np

LONGEST_STEP = 5.0  # of a coefficient, in one turn of Firth's fit
TURNS = 200
HALVINGS = 30
CLOSE_ENOUGH = 1e-9
SAME_COLUMN = 1e-8
SOME_ROOM = 1e-4  # the linear programme is solved to 1e-7


@dataclass(frozen=True)
class Fit:
    """Coefficients, float [parameter], and whether the search for them came to rest."""

    coefficients: np.ndarray
    converged: bool


def indicator_matrix(levels: np.ndarray, cases: np.ndarray) -> np.ndarray:
    """float [cell, parameter]: an intercept, then a column for each level but a covariate's commonest.

    Of levels equally common the lowest is left out, and so is a level without cases, and a column that the earlier
    ones make up (two covariates missing in the same cases), as R does.

    Args:
        levels: int [cell, covariate]; missing, -1, is a level like any other.
        cases: int [cell], at least one cell with cases.
    """
    columns = [np.ones(len(levels))]
    for own in levels.T:
        place = np.unique(own, return_inverse=True)[1]
        size = np.bincount(place, weights=cases)
        columns += [(place == at) * 1.0 for at in np.flatnonzero(size > 0) if at != size.argmax()]
    matrix = np.stack(columns, axis=1)
    return np.asarray(matrix[:, _independent(matrix[cases > 0])])


def _independent(matrix: np.ndarray) -> list[int]:
    """Columns that are no sum of earlier ones (Gram-Schmidt)."""
    kept: list[int] = []
    basis = np.zeros((len(matrix), 0))
    for at, column in enumerate(matrix.T):
        rest = column - basis @ (basis.T @ column)
        rest = rest - basis @ (basis.T @ rest)
        length = np.linalg.norm(rest)
        if length > SAME_COLUMN * np.linalg.norm(column):
            kept.append(at)
            basis = np.column_stack([basis, rest / length])
    return kept


def logistic_fit(
    matrix: np.ndarray, events: np.ndarray, cases: np.ndarray, offset: float | np.ndarray = 0.0
) -> Fit:
    """Maximum likelihood (statsmodels GLM, binomial). Ask `is_separated` first.

    Args:
        matrix: float [cell, parameter], of full rank.
        events, cases: int [cell], every cell with cases.
        offset: Added to the linear predictor.
    """
    from statsmodels.genmod.families import Binomial
    from statsmodels.genmod.generalized_linear_model import GLM

    outcome = np.column_stack([events, cases - events]).astype(float)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of a search that does not end: `converged` tells
        found = GLM(outcome, matrix, family=Binomial(), offset=np.broadcast_to(offset, len(cases))).fit(
            tol=1e-10
        )
    return Fit(np.asarray(found.params), bool(found.converged))


def is_separated(matrix: np.ndarray, events: np.ndarray, cases: np.ndarray) -> bool:
    """Whether maximum likelihood runs off to infinity (Albert & Anderson 1984, Biometrika 71:1).

    It does if some direction b has x·b >= 0 where there are events, <= 0 where there are cases without, and is not
    0 everywhere. Cells with both leave only directions with x·b = 0; over what they leave, a linear programme.

    Args:
        matrix: float [cell, parameter], of full rank.
        events, cases: int [cell], every cell with cases.
    """
    from scipy.linalg import null_space
    from scipy.optimize import linprog

    both = (events > 0) & (events < cases)
    every = np.eye(matrix.shape[1])
    free = null_space(np.linalg.qr(matrix[both], mode="r")) if both.any() else every
    if free.shape[1] == 0:
        return False
    sign = np.where(events > 0, 1.0, -1.0)[:, None]
    rows = np.unique((sign * matrix)[~both], axis=0) @ free
    found = linprog(-rows.sum(axis=0), A_ub=-rows, b_ub=np.zeros(len(rows)), bounds=(-1, 1), method="highs")
    return bool(-found.fun > SOME_ROOM)


def firth_fit(matrix: np.ndarray, events: np.ndarray, cases: np.ndarray) -> Fit:
    """Maximum of the likelihood times the root of the information's determinant (Firth 1993, Biometrika 80:27).

    Finite also where levels lack events (Heinze & Schemper 2002, Stat Med 21:2409). Newton steps on the modified
    score X'(y - nπ + h(½ - π)), h being the sum of a cell's leverages; a step is halved until the penalised
    likelihood does not fall.

    Args:
        matrix: float [cell, parameter], of full rank.
        events, cases: int [cell], every cell with cases.
    """
    coefficients = np.zeros(matrix.shape[1])
    coefficients[0] = np.log((events.sum() + 0.5) / ((cases - events).sum() + 0.5))
    height = _penalised(matrix, events, cases, coefficients)
    for _ in range(TURNS):
        step = _firth_step(matrix, events, cases, coefficients)
        step *= min(1.0, LONGEST_STEP / max(np.abs(step).max(), CLOSE_ENOUGH))
        if np.abs(step).max() < CLOSE_ENOUGH:
            return Fit(coefficients, True)
        for _ in range(HALVINGS):
            there = _penalised(matrix, events, cases, coefficients + step)
            if there >= height - CLOSE_ENOUGH:
                break
            step = step / 2
        coefficients, height = coefficients + step, there
    return Fit(coefficients, False)


def _firth_step(matrix: np.ndarray, events: np.ndarray, cases: np.ndarray, at: np.ndarray) -> np.ndarray:
    share = expit(matrix @ at)
    weight = cases * share * (1 - share)
    information = matrix.T @ (weight[:, None] * matrix)
    leverage = weight * np.einsum("ij,ji->i", matrix, np.linalg.solve(information, matrix.T))
    score = matrix.T @ (events - cases * share + leverage * (0.5 - share))
    return np.asarray(np.linalg.solve(information, score))


def _penalised(matrix: np.ndarray, events: np.ndarray, cases: np.ndarray, at: np.ndarray) -> float:
    line = matrix @ at
    share = expit(line)
    information = matrix.T @ ((cases * share * (1 - share))[:, None] * matrix)
    likelihood = (events * line - cases * np.logaddexp(0, line)).sum()
    return float(likelihood + np.linalg.slogdet(information)[1] / 2)


def with_all_expected(fit: Fit, matrix: np.ndarray, events: np.ndarray, cases: np.ndarray) -> Fit:
    """The fit with its intercept moved until as many events are expected as were seen.

    Firth's own risks lean towards a half: with few events far more would be expected than happened. Heinze and
    colleagues call the correction FLIC (Puhr et al. 2017, Stat Med 36:2302, from memory).
    """
    from scipy.optimize import brentq

    line = matrix @ fit.coefficients
    moved = fit.coefficients.copy()
    moved[0] += brentq(lambda shift: (cases * expit(line + shift)).sum() - events.sum(), -50, 50, xtol=1e-12)
    return Fit(moved, fit.converged)


def expit(line: np.ndarray) -> np.ndarray:
    """1 / (1 + exp(-line)), without overflow."""
    from scipy.special import expit as of_scipy

    return np.asarray(of_scipy(line))
