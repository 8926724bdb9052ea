"""One case from its numbers down to the lines of the exports, in plain words."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import WrongUse, did_you_mean

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.catalogue import Catalogue

STATUS_WORDS = {
    "counted": "counted",
    "refuted": "not counted: reviewers say no",
    "awaiting": "not counted yet: awaits review",
    "pre_existing": "not counted: there before the operation",
    "too_soon": "not counted: too soon after the operation",
    "described": "described only, never counted",
    "cannot_occur": "cannot occur here",
}


def story_of(workspace: Path, edition: Path, case_id: str) -> Iterator[str]:
    """The lines of a case's story, from an edition and the exports it was made from.

    Raises:
        WrongUse: The edition has no such case.
    """
    import pandas as pd

    from pipeline.catalogue import load_catalogue

    department = edition / "department"
    cases = pd.read_parquet(department / "cases.parquet").set_index("case_id")
    if case_id not in cases.index:
        raise WrongUse(
            f"`{case_id}` is no case of {edition.parent.name}/{edition.name}.{did_you_mean(case_id, cases.index)} "
            "A case id is <site>.<operation_id>.<L, R or N>; cases.parquet lists them."
        )
    catalogue = load_catalogue(department / "as_used" / "catalogue.toml")
    lines = _Lines(workspace, department / "as_used" / "mappings")
    yield from _operation(case_id, cases.loc[[case_id]].iloc[0], catalogue, lines)
    found = pd.read_parquet(department / "complications.parquet")
    yield from _complications(found[found["case_id"] == case_id], catalogue, lines)
    review = pd.read_csv(department / "review.csv", dtype="string", keep_default_na=False)
    yield from _waiting(review[review["case_id"] == case_id], lines)


class _Lines:
    """Re-reads records of the exports, masked as every output is."""

    def __init__(self, workspace: Path, mappings: Path) -> None:
        self.workspace = workspace
        self.mappings = mappings

    def __call__(self, reference: str) -> Iterator[str]:
        """Where a record stands and what the export says there."""
        yield f"      {reference}"
        yield from (f"        > {line}" for line in self.text(reference).split("\n"))

    def text(self, reference: str) -> str:
        import pyarrow as pa

        from pipeline.intake.refusal import Refusal
        from pipeline.validate.masking import masked

        try:
            return str(masked(pa.array([self._raw(reference)])).texts[0].as_py())
        except (OSError, IndexError, Refusal):
            return "(the export can no longer be read there; run the audit again)"

    def _raw(self, reference: str) -> str:
        from pipeline.intake.raw import raw_record

        place, _, line = reference.rpartition(":")
        file, _, sheet = place.partition("#")
        path = self.workspace / file
        return raw_record(path, sheet, int(line), self._encoding(path))

    def _encoding(self, path: Path) -> str:
        """What the mapping declares for the file: its table's encoding, else the site's."""
        from datetime import date

        from pipeline.intake import load_mapping

        mapping = load_mapping(self.mappings / f"{path.parent.parent.name}.toml")
        claiming = mapping.claiming(path.name, date.fromisoformat(path.parent.name))
        return claiming[0].encoding if claiming else mapping.encoding


def _operation(case_id: str, case: pd.Series, catalogue: Catalogue, lines: _Lines) -> Iterator[str]:
    name = catalogue.procedures[case["procedure"]].name
    side = "" if case["side"] == "none" else f", {case['side']} side"
    yield f"{case_id}: {name}{side}, on {case['performed_on']}"
    yield f"  surgeon {case['surgeon']}, age band {case['age_band']}, {'isolated' if case['isolated'] else 'not isolated'}"
    if case["group"] != case["procedure"]:
        yield f"  counted in the group {case['group']}"
    yield f"  last contact on day {case['contact_until']}; records reach day {case['records_until']}"
    if case["died"] == case["died"] and case["died"] is not None:  # not missing
        yield f"  died on day {int(case['died'])}"
    yield "  operation:"
    yield from lines(f"{case['source_file']}:{case['source_line']}")


def _complications(found: pd.DataFrame, catalogue: Catalogue, lines: _Lines) -> Iterator[str]:
    from pipeline.catalogue import ANY_COMPLICATION

    if found.empty:
        yield "  no complication: nothing speaks for one"
    for row in found.sort_values(["day", "category", "level"]).to_dict("records"):
        if row["category"] == ANY_COMPLICATION:
            continue
        day = "day not known" if row["day"] != row["day"] or row["day"] is None else f"day {int(row['day'])}"
        name = catalogue.complications[row["category"]].name
        yield f"  {day}: {name} ({row['level']}), {row['strength']}: {STATUS_WORDS[row['status']]}"
        for reference in filter(None, (row["evidence"] or "").split("; ")):
            yield from lines(reference)


def _waiting(review: pd.DataFrame, lines: _Lines) -> Iterator[str]:
    """Records nobody has tied to the case yet, and notes nobody has read."""
    for row in review[review["category"] == ""].to_dict("records"):
        yield f"  to review: {row['why']}"
        yield from lines(row["evidence"])
