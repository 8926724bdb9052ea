"""The few ways a run may stop. Everything else is a finding."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches


class LimbauditError(Exception):
    """A message for the person at the keyboard; `exit_code` is what the command ends with."""

    exit_code = 3


class WrongUse(LimbauditError):
    """The command line, settings, catalogue or a mapping asks for something that does not exist."""

    exit_code = 2


class CannotFinish(LimbauditError):
    """The run could not finish and has changed nothing."""

    exit_code = 3


class Away(CannotFinish):
    """A folder cannot be written just now; it may be tried again."""


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """A short suggestion ending a message, or nothing."""
    close = get_close_matches(word, sorted(known), n=1, cutoff=0.6)
    return f" Did you mean `{close[0]}`?" if close else ""


class GivesAway(LimbauditError):
    """Figures of few patients could be worked out from what was about to be written; `CannotFinish` of that part alone."""

    exit_code = 3
