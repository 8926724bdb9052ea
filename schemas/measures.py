"""What the scorecard counts beside the rules of the list of findings, and the words of its verdicts."""

from __future__ import annotations

from dataclasses import dataclass

from schemas.findings import FINDINGS


@dataclass(frozen=True)
class Measure:
    """A share the scorecard shows that no single finding stands for. `dimension` as in Kahn et al. 2016."""

    title: str
    dimension: str


MEASURES: dict[str, Measure] = {
    "quarantined_share": Measure("Rows held back", "conformance"),
    "value_empty": Measure("An optional cell is empty", "completeness"),
    "recorded_late": Measure("Written down long after it happened", "plausibility"),
}

#: Rules that `[tolerance.rules]` in audit.toml may name; what is held back has a key of its own.
SCORED_RULES: tuple[str, ...] = (
    "value_empty",
    "recorded_late",
    "record_duplicate",
    *(code for code, rule in FINDINGS.items() if rule.action != "repair"),
)

FIT, RESERVED, NOT_FIT = "fit", "fit_with_reservations", "not_fit_for_comparison"
VERDICTS: tuple[str, ...] = (FIT, RESERVED, NOT_FIT)
