"""What a row of figures may say about itself, in words for print."""

from __future__ import annotations

CANNOT_OCCUR = "cannot occur here: the operation makes no hole"
NOT_FOR_THIS_JOINT = "not defined for this joint"
NOT_DEFINED = "not defined: the window ends before the category begins"
TOO_FEW = "fewer than 10 cases: counts only"
CLUSTERED = "clustered: more than 5 % of the cases are two sides of one patient"
READ_THE_RANGE = "many not followed: read the range from the rate to the worst case"
SELDOM_ASSESSED = "fewer than half were measured"
NO_RATIO = "ratio not estimable: an arm without events, or with nothing else"
NO_CASES = "an arm has no closed cases"
NOT_COMPARED = "not compared: it cannot occur, or is not defined, in an arm"


def together(*notes: str) -> str:
    """Several notes as one; empty ones left out."""
    return "; ".join(note for note in notes if note)
