"""Which numbers were printed, and where the list of each stands."""

from __future__ import annotations

from pipeline.publish.numbers.whose import Whose

#: What is counted of cases whose window has closed.
KINDS = ("cases", "followed", "lost", "events", "awaiting", "deaths", "assessed", "events_or_lost")


class Register:
    """Collects the lists that pages lead to, while they are made; afterwards each list is written once.

    Without facts about cases, as in an edition for others, numbers are plain text.
    """

    def number(self, told: str, kind: str, whose: Whose, category: str, level: str, window_days: int) -> str:
        """The number as printed, as a link to its list.

        Args:
            told: The number in print, such as `words.count` gives, or words that tell it.
            kind: One of `KINDS`.
            whose: The cases it was counted over.
            category, level, window_days: The outcome, as published.

        Returns:
            `Markup`, to stand in a table or a sentence; plain text where the list is empty or not to be had.
        """
        return told

    def cases(self, told: str, page: str, title: str, case_ids: list[str]) -> str:
        """The number as printed, as a link to a list of just these cases.

        Args:
            told: The number in print.
            page: Short words that several lists share, which then stand on one page, such as `activity`.
            title: What the list holds, unique on its page.
            case_ids: As published; one case may stand several times.
        """
        return told
