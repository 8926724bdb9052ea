"""How many events chance alone gives among cases of unequal risk: the Poisson-binomial distribution."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

#: Above it the normal distribution stands in, with continuity correction.
LARGEST_EXACT_VARIANCE = 100.0
#: Events further from the mean than so many standard deviations and so many more have a chance below 1e-30 (Bernstein).
DEVIATIONS, MORE = 12, 40
EXACT, NORMAL = "Poisson-binomial", "normal"
NOISE = 1e-12
NO_DISTANCE = 1e-300


@dataclass(frozen=True)
class Chances:
    """Distribution of the number of events of each row; all arrays by row.

    Attributes:
        cases: Whole numbers.
        mean, variance: Of the number of events.
        exact: bool: from the distribution itself, else from the normal one of the same mean and variance.
        first: Number of events that the first column of `cumulative` stands for.
        cumulative: float [row, column]: chance of at most so many events; below `first` it is 0, beyond the end 1.
    """

    cases: np.ndarray
    mean: np.ndarray
    variance: np.ndarray
    exact: np.ndarray
    first: np.ndarray
    cumulative: np.ndarray

    @property
    def method(self) -> np.ndarray:
        """`Poisson-binomial` or `normal`."""
        return np.where(self.exact, EXACT, NORMAL)

    def at_most(self, events: np.ndarray) -> np.ndarray:
        """Chance of at most so many events."""
        from scipy.stats import norm

        column = events - self.first
        width = self.cumulative.shape[1]
        exact = self.cumulative[np.arange(len(column)), np.clip(column, 0, width - 1)]
        exact = np.where(column < 0, 0.0, exact)
        spread = np.sqrt(np.where(self.exact, 1.0, self.variance))
        chance = np.where(self.exact, exact, norm.cdf((events + 0.5 - self.mean) / spread))
        return np.where(events >= self.cases, 1.0, np.where(events < 0, 0.0, chance))

    def at_least(self, events: np.ndarray) -> np.ndarray:
        """Chance of so many events or more."""
        return np.asarray(1.0 - self.at_most(events - 1))

    def mid_p(self, events: np.ndarray) -> np.ndarray:
        """Twice the smaller tail, half of what was seen counted with each tail; at most 1."""
        lower = (self.at_most(events) + self.at_most(events - 1)) / 2
        return np.asarray(2 * np.minimum(lower, 1 - lower))

    def quantile(self, share: float) -> np.ndarray:
        """The fewest events with at least this chance of no more."""
        from scipy.stats import norm

        exact = self.first + (self.cumulative >= share - NOISE).argmax(axis=1)
        normal = np.ceil(self.mean + norm.ppf(share) * np.sqrt(self.variance) - 0.5 - NOISE)
        return np.where(self.exact, exact, np.clip(normal, 0, self.cases)).astype(np.int64)

    def limits(self, confidence: float) -> tuple[np.ndarray, np.ndarray]:
        """Whole numbers of events; beyond either lies at most half of what the confidence leaves."""
        return self.quantile((1 - confidence) / 2), self.quantile((1 + confidence) / 2)


def chances(row: np.ndarray, risk: np.ndarray, cases: np.ndarray, rows: int) -> Chances:
    """Distributions from a histogram of risks.

    The probabilities of a row are the inverse Fourier transform of Π (1 - p + p e^iω)^n over its risks p with n
    cases each (Hong 2013, Comput Stat Data Anal 59:41), on a window around the mean that leaves out nothing.

    Args:
        row: int [entry], from 0 to rows - 1.
        risk: float [entry], from 0 to 1.
        cases: int [entry].
        rows: Number of rows; one without entries has no cases and no events.
    """
    number = np.bincount(row, weights=cases, minlength=rows).astype(np.int64)
    mean = np.bincount(row, weights=cases * risk, minlength=rows)
    variance = np.bincount(row, weights=cases * risk * (1 - risk), minlength=rows)
    exact = variance <= LARGEST_EXACT_VARIANCE
    reach = DEVIATIONS * np.sqrt(np.where(exact, variance, 0.0)) + MORE
    first = np.maximum(0, np.floor(mean - reach)).astype(np.int64)
    last = np.minimum(number, np.ceil(mean + reach)).astype(np.int64)
    width = int((last - first)[exact].max(initial=0)) + 1
    folded = _folded(row, risk, cases, rows, width)
    window = np.take_along_axis(folded, (first[:, None] + np.arange(width)) % width, axis=1)
    cumulative = np.minimum(np.cumsum(np.maximum(window, 0.0), axis=1), 1.0)
    cumulative[:, -1] = 1.0
    return Chances(number, mean, variance, exact, first, cumulative)


def _folded(row: np.ndarray, risk: np.ndarray, cases: np.ndarray, rows: int, width: int) -> np.ndarray:
    """float [row, width]: chance of a number of events that leaves this remainder when divided by the width."""
    from scipy.sparse import csr_array

    distinct, place = np.unique(risk, return_inverse=True)
    turned = np.exp(-2j * np.pi * np.arange(width) / width)
    factor = 1 + distinct[:, None] * (turned[None, :] - 1)
    number = csr_array((cases.astype(float), (row, place)), shape=(rows, len(distinct)))
    length = number @ np.log(np.maximum(np.abs(factor), NO_DISTANCE))
    return np.fft.ifft(np.exp(length + 1j * (number @ np.angle(factor))), axis=1).real
