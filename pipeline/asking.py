"""What an edition asks of people, and what their answers so far have shown.

Split from `audit` only for length.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    import pyarrow as pa

    from pipeline.audit import Analysed
    from pipeline.handover import Facts, Labels
    from pipeline.parts import Whole
    from pipeline.publish.lists import Lists
    from pipeline.run import Accounted
    from pipeline.settings import Settings


@dataclass(frozen=True)
class Reviewed:
    """What reviewing has shown.

    Attributes:
        agreement, missed: The published `agreement` and `missed_in_letters`.
        unmentioned: bool over all cases: has notes, and nothing that counts or waits.
    """

    agreement: pd.DataFrame
    missed: pd.DataFrame
    unmentioned: np.ndarray


def reviewed(whole: Whole, facts: Facts, labels: Labels, settings: Settings) -> Reviewed:
    """How far reviewers agreed, and what reading cases drawn at random found."""
    from pipeline.count import agreement_counts, missed_counts, text_negative
    from pipeline.estimate import agreement_table, missed_table

    unmentioned = text_negative(whole, facts, len(labels.categories) - 1)
    return Reviewed(
        agreement=agreement_table(agreement_counts(whole.decided), labels, settings.confidence),
        missed=missed_table(missed_counts(unmentioned, whole, facts), labels, settings),
        unmentioned=unmentioned,
    )


def asked_tables(rows: Accounted, result: Analysed, lists: Lists) -> dict[str, pd.DataFrame | pa.Table]:
    """Questions that wait, those a reviewer may be asked, cases to draw from, and what reviewing has shown."""
    import pandas as pd

    from pipeline.count import notes_of_cases
    from pipeline.publish.consequences import Figures
    from pipeline.publish.drawn import sampling_frame
    from pipeline.publish.questions import Ground, questioned
    from pipeline.publish.requests_list import requested
    from pipeline.publish.waiting_list import waiting_list
    from pipeline.reviewers import answers_of

    settings, catalogue = rows.ground.settings, rows.ground.catalogue
    whole, facts = result.whole, rows.resolved.facts
    figures = Figures(
        whole.cases, whole.complications, result.rates, result.comparisons, result.labels, settings, catalogue
    )
    about = Ground(lists, whole, facts, figures, answers_of(rows.people.decisions))
    listed = [requested(lists, rows.people), waiting_list(lists, result.findings)]
    asked = questioned(pd.concat(listed, ignore_index=True), about)
    notes = notes_of_cases(whole, facts)
    return {
        "review": asked.review,
        "questions": asked.questions,
        "sampling_frame": sampling_frame(result.reviewed.unmentioned, notes, about),
        "agreement": result.reviewed.agreement,
        "missed_in_letters": result.reviewed.missed,
    }
