"""Tables a run writes: accounts of rows, the case list and the audit tables.

One row of an audit table is one figure with all that is needed to read it. Shares are fractions of 1;
intervals are at the confidence of the settings. `filled=False` marks tables whose shape is agreed and
which this version does not write.
"""

from __future__ import annotations

from schemas.accounts import (
    FOR_THE_SENDER,
    LEDGER,
    QUALITY,
    QUALITY_LAG,
    QUALITY_TREND,
    QUALITY_VOLUME,
    QUARANTINE,
    REPAIRS,
    UNATTRIBUTED,
)
from schemas.asked import MISSED_IN_LETTERS, QUESTIONS, SAMPLING_FRAME
from schemas.beside import BENEFIT_AND_HARM, PUBLISHED_FIGURES
from schemas.beside_rates import COURSES_COMPARED, STANDARDISED_RATES
from schemas.case_lists import CASES, COMPLICATIONS, LETTERS, REVIEW
from schemas.changes import CHANGED_FIGURES, CHANGES
from schemas.columns import Table
from schemas.expected import CHARTS, MONITORING, RISK_MODELS, SURGEON_OUTCOMES
from schemas.outcomes import (
    AGREEMENT,
    EVENT_FREE,
    FLOW,
    NONOPERATIVE_CARE,
    RETURN_TO_SPORT,
    REVISIONS,
    SCORES,
    SEVERITY_TABLE,
    VOLUMES,
)
from schemas.outward import OUTWARD_BASIS, SECOND_CASES
from schemas.rates import ACTIVITY, BASELINE, COHORTS, COMPARISONS, RATES
from schemas.tracing import DECISIONS_USED, EVIDENCE, RECORDS

#: Accounts and case lists, which lie beside the audit tables.
ACCOUNTS: tuple[Table, ...] = (
    LEDGER,
    QUARANTINE,
    REPAIRS,
    UNATTRIBUTED,
    QUALITY,
    QUALITY_TREND,
    QUALITY_VOLUME,
    QUALITY_LAG,
    CASES,
    COMPLICATIONS,
    LETTERS,
    EVIDENCE,
    RECORDS,
    DECISIONS_USED,
    REVIEW,
    QUESTIONS,
    SAMPLING_FRAME,
    SECOND_CASES,
    OUTWARD_BASIS,
    FOR_THE_SENDER,
)

#: Audit tables, in the order of the workbook.
AUDIT_TABLES: tuple[Table, ...] = (
    RATES,
    COHORTS,
    ACTIVITY,
    COMPARISONS,
    BASELINE,
    STANDARDISED_RATES,
    COURSES_COMPARED,
    SURGEON_OUTCOMES,
    RISK_MODELS,
    EVENT_FREE,
    MONITORING,
    CHARTS,
    SEVERITY_TABLE,
    REVISIONS,
    VOLUMES,
    RETURN_TO_SPORT,
    SCORES,
    NONOPERATIVE_CARE,
    BENEFIT_AND_HARM,
    PUBLISHED_FIGURES,
    AGREEMENT,
    MISSED_IN_LETTERS,
    FLOW,
    CHANGES,
    CHANGED_FIGURES,
)

PUBLISHED: dict[str, Table] = {table.name: table for table in (*ACCOUNTS, *AUDIT_TABLES)}

#: Tables this version does not write yet.
NOT_FILLED: tuple[str, ...] = tuple(name for name, table in PUBLISHED.items() if not table.filled)
