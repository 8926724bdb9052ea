"""What reviewers said, case by case, behind the counts of how far they agree and what was missed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from pipeline.publish.words import Names

HEADS = ("Case", "What", "First reviewer", "Second reviewer")


@dataclass(frozen=True)
class Answers:
    """First answers of the two reviewers of a question, arrays of one length; and cases nobody asks about.

    Attributes:
        case_ids, categories: What was asked.
        one, two: bool, a yes.
        unmentioned: Positions of cases with notes in which nothing was found.
    """

    case_ids: np.ndarray
    categories: np.ndarray
    one: np.ndarray
    two: np.ndarray
    unmentioned: np.ndarray

    def rows(self, kind: str, category: str, named: Names) -> list[tuple[str, ...]]:
        """Questions behind a number of `agreement`, in the order of cases.

        Args:
            kind: `pairs`, `both_yes`, `both_no` or `discordant`.
            category: Its key; empty: of all of them.
            named: Words for print.
        """
        kept = {
            "pairs": np.ones(len(self.one), bool),
            "both_yes": self.one & self.two,
            "both_no": ~self.one & ~self.two,
            "discordant": self.one != self.two,
        }[kind]
        if category:
            kept = kept & (self.categories == category)
        columns = (self.case_ids, self.categories, self.one, self.two)
        chosen = zip(*(column[kept].tolist() for column in columns), strict=True)
        return sorted(
            (case_id, named.category(key), _said(one), _said(two)) for case_id, key, one, two in chosen
        )


def _said(yes: bool) -> str:
    return "yes" if yes else "no"
