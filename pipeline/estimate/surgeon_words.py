"""The sentence of a surgeon's page: what the counts say, what chance gives, and what follows from it."""

from __future__ import annotations

from pipeline.estimate.surgeons import INSIDE, OUTSIDE_998, TOO_FEW

NEITHER = "This shows neither a problem nor that there is none."
CHECK = "It asks for a check, in this order: data, case mix, structure, process, person. It proves nothing."


def surgeon_sentence(
    *,
    events: int,
    cases: int,
    low: float,
    high: float,
    interval: str,
    expected: float,
    as_many: float,
    against_limits: str,
) -> str:
    """Sentences for print.

    Args:
        events, cases: Of the surgeon, one outcome and window.
        low, high: Interval of the share, as fractions.
        interval: Its name, such as `Wilson`.
        expected: Events to expect of such patients.
        as_many: Chance of so many or more if more than expected were seen, else of so many or fewer.
        against_limits: One of the words of `SurgeonFigures.against_limits`.
    """
    if against_limits == TOO_FEW:
        return f"{events} of {_cases(cases)}: counts only, fewer than 10 cases say nothing."
    direction = "more" if events > expected else "fewer"
    counted = f"{events} of {_cases(cases)} ({interval} {100 * low:.1f}–{100 * high:.1f} %)"
    expectation = f"{_number(expected)} expected of such patients"
    as_seen = f"{events} or {direction}" if events else "none"
    by_chance = f"chance alone gives {as_seen} in {_of_hundred(as_many)}"
    return f"{counted}; {expectation}; {by_chance}. {_meaning(against_limits, direction)}"


def _cases(cases: int) -> str:
    return "1 case" if cases == 1 else f"{cases} cases"


def _meaning(against_limits: str, direction: str) -> str:
    if against_limits == INSIDE:
        return NEITHER
    often = "998 of 1000" if against_limits == OUTSIDE_998 else "95 of 100"
    return f"That is {direction} than chance alone gives in {often}. {CHECK}"


def _number(expected: float) -> str:
    if expected < 0.01:
        return "fewer than 0.01"
    return f"{expected:.2f}" if expected < 10 else f"{expected:.1f}"


def _of_hundred(chance: float) -> str:
    """`about 20 of 100`; rare chances of a thousand, never 0 nor all."""
    if chance < 0.001:
        return "fewer than 1 of 1000"
    if chance < 0.01:
        return f"about {max(1, round(1000 * chance))} of 1000"
    if chance > 0.99:
        return "more than 99 of 100"
    return f"about {round(100 * chance)} of 100"
