"""Files that came before: the same bytes under any name, or the same name with other bytes."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import date

from pipeline.intake.arrivals import Arrival
from pipeline.intake.cut import LoggedStep

#: A name that says which span of time it holds, such as `operations_2026-10.csv`.
_NAMES_ITS_TIME = re.compile(r"\d{4}")


@dataclass
class Before:
    """What a workspace's files were, in the order in which they are read."""

    contents: dict[tuple[str, str], str] = field(default_factory=dict)
    names: dict[tuple[str, str], tuple[str, str, date]] = field(default_factory=dict)

    def same_content(self, arrival: Arrival, sha256: str) -> LoggedStep | None:
        """The log of a file whose very bytes the site sent before."""
        first = self.contents.setdefault((arrival.site, sha256), arrival.source_file)
        if not sha256 or first == arrival.source_file:
            return None
        return LoggedStep("file_sent_again", first, "")

    def other_content(self, arrival: Arrival, sha256: str) -> str:
        """What to say of a file whose name was used for other bytes; empty if nothing is odd about that.

        A cumulative export keeps its name from receipt to receipt. Odd is a name twice in one receipt (they differ
        by case, or one is packed), or a name with its span of time in it.
        """
        name = arrival.name.lower().removesuffix(".gz")
        before = self.names.get((arrival.site, name))
        self.names[(arrival.site, name)] = (sha256, arrival.source_file, arrival.receipt)
        if before is None or before[0] == sha256:
            return ""
        if before[2] != arrival.receipt and not _NAMES_ITS_TIME.search(name):
            return ""
        return f"{arrival.name} differs from {before[1]}. Check that it is meant to replace it."
