"""The published `agreement`: how far two reviewers agreed, by category.

Of n pairs of answers a are both yes, d both no, b and c differ. Beside the raw share (a + d) / n stand positive and
negative agreement, 2a / (2a + b + c) and 2d / (2d + b + c) (Cicchetti and Feinstein 1990, J Clin Epidemiol 43:551), and
the prevalence- and bias-adjusted kappa, 2 (a + d) / n - 1 (Byrt, Bishop and Carlin 1993, J Clin Epidemiol 46:423):
where yes is rare, kappa is low or undefined although nearly all answers agree.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.estimate.proportions import share_of
from pipeline.handover import Labels

ORDER = (
    "category", "pairs", "both_yes", "both_no", "discordant", "raw", "positive", "negative", "kappa", "kappa_ci_low",
    "kappa_ci_high", "pabak",
)  # fmt: skip
#: Below this a variance is 0 but for rounding.
NO_VARIANCE = 1e-12


@dataclass(frozen=True)
class Kappa:
    """Agreement beyond chance with its limits, an array each; nan where it is undefined or its variance is 0."""

    kappa: np.ndarray
    low: np.ndarray
    high: np.ndarray


def agreement_table(counts: pd.DataFrame, labels: Labels, confidence: float) -> pd.DataFrame:
    """One row a category that two reviewers judged.

    Args:
        counts: `category, pairs, both_yes, one_only, two_only, both_no`.
    """
    yes, no, pairs = (counts[name].to_numpy() for name in ("both_yes", "both_no", "pairs"))
    one, two = counts["one_only"].to_numpy(), counts["two_only"].to_numpy()
    found = cohens_kappa(yes, one, two, no, confidence)
    raw = share_of(yes + no, pairs)
    table = counts.assign(
        category=[labels.categories[number] for number in counts["category"]],
        discordant=one + two,
        raw=raw,
        positive=share_of(2 * yes, 2 * yes + one + two),
        negative=share_of(2 * no, 2 * no + one + two),
        kappa=found.kappa,
        kappa_ci_low=found.low,
        kappa_ci_high=found.high,
        pabak=2 * raw - 1,
    )
    return table[list(ORDER)]


def cohens_kappa(
    both_yes: np.ndarray, one_only: np.ndarray, two_only: np.ndarray, both_no: np.ndarray, confidence: float
) -> Kappa:
    """Kappa (Cohen 1960, Educ Psychol Meas 20:37) with the large-sample limits of Fleiss, Cohen and Everitt (1969,
    Psychol Bull 72:323), cut at -1 and 1.

    Undefined without pairs and where chance alone would agree always, because everybody gave one answer. Where the
    variance is 0, as when all pairs agree, the limits say nothing and are left out.
    """
    from scipy.stats import norm

    cells = np.stack([both_yes, one_only, two_only, both_no]).astype(float)
    pairs = cells.sum(axis=0)
    yes_yes, yes_no, no_yes, no_no = np.divide(
        cells, pairs, out=np.full(cells.shape, np.nan), where=pairs > 0
    )
    one, two = yes_yes + yes_no, yes_yes + no_yes  # shares of yes
    agreed, chance = yes_yes + no_no, one * two + (1 - one) * (1 - two)
    beyond = np.where(chance < 1, 1 - chance, np.nan)
    kappa = (agreed - chance) / beyond
    same = yes_yes * (beyond - (one + two) * (1 - agreed)) ** 2
    same += no_no * (beyond - (2 - one - two) * (1 - agreed)) ** 2
    differ = (1 - agreed) ** 2 * (yes_no * (two + 1 - one) ** 2 + no_yes * (1 - two + one) ** 2)
    spread = same + differ - (agreed * chance - 2 * chance + agreed) ** 2
    variance = spread / (np.where(pairs > 0, pairs, np.nan) * beyond**4)
    half = norm.ppf((1 + confidence) / 2) * np.sqrt(np.where(variance > NO_VARIANCE, variance, np.nan))
    return Kappa(kappa, np.clip(kappa - half, -1, 1), np.clip(kappa + half, -1, 1))
