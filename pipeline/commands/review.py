"""`limbaudit review`: the list of one reviewer, written from the standing edition."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.commands.access import Logged, used
from pipeline.errors import WrongUse

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.commands.reviewer_lists import About, Listed

FOLDER = click.Path(path_type=Path, file_okay=False)
REVIEWER = re.compile(r"[\w-][\w.-]*(/[\w-][\w.-]*)?")
TO_REVIEW = "to_review"


@click.command(cls=Logged)
@click.argument("workspace", type=FOLDER)
@click.option(
    "--reviewer", required=True, help="Who is asked: a pseudonym; a surgeon's id as S3 or harbour/S3."
)
@click.option("--period", default="", help="Period of the edition; by default the newest.")
@click.option(
    "--out", type=FOLDER, default=None, help="Folder of the list; by default WORKSPACE/to_review/REVIEWER."
)
@click.option(
    "--sample", type=click.IntRange(0, 1000), default=0,
    help="Draw so many cases in whose notes nothing was found, to see what was missed.",
)  # fmt: skip
@click.option(
    "--editions", type=FOLDER, default=None, help="Folder of the editions; by default WORKSPACE/editions."
)
def review(
    workspace: Path, reviewer: str, period: str, out: Path | None, sample: int, editions: Path | None
) -> None:
    """Write one reviewer's list of questions, the most consequential first, never about own cases.

    It is made from the standing edition; where there is none, from an audit made for this once.

    \b
    Example: limbaudit review our_audit --reviewer S3 --sample 20
    """
    from tempfile import TemporaryDirectory

    if not REVIEWER.fullmatch(reviewer):
        raise WrongUse(f"`{reviewer}` is no reviewer: use letters, digits, - _ and . as in S3 or harbour/S3.")
    with TemporaryDirectory() as once:
        edition = _edition(workspace, editions or workspace / "editions", period, Path(once))
        used(None if Path(once) in edition.parents else edition, reviewer)
        _list_for(reviewer, workspace, edition, out, sample)


def _edition(workspace: Path, editions: Path, period: str, once: Path) -> Path:
    """The standing edition if this version wrote it, else one made for this once."""
    from pipeline.run import Asked, audited
    from pipeline.workspace import standing_edition

    standing = standing_edition(editions, period)
    if standing is not None and (standing / "department" / "questions.parquet").is_file():
        return standing
    return audited(Asked(workspace, period=period), once).place


def _list_for(reviewer: str, workspace: Path, edition: Path, out: Path | None, sample: int) -> None:
    from pipeline.commands.reviewer_lists import listed_for
    from pipeline.people import people_known

    department = edition / "department"
    listed = listed_for(
        reviewer,
        _published(department, "questions"),
        _published(department, "sampling_frame"),
        people_known(workspace, date.max),
        sample,
    )
    name = reviewer.replace("/", "_")
    folder = out or workspace / TO_REVIEW / name
    for line in _told(reviewer, listed, department, sample):
        click.echo(line)
    if len(listed):
        for line in _written(reviewer, listed, _Place(workspace, edition, folder, name)):
            click.echo(line)


def _published(department: Path, name: str) -> pd.DataFrame:
    import pandas as pd

    frame = pd.read_parquet(department / f"{name}.parquet")
    texts = frame.select_dtypes(include=["object", "string"]).columns.difference(["since"])
    return frame.fillna(dict.fromkeys(texts, ""))


def _told(reviewer: str, listed: Listed, department: Path, sample: int) -> list[str]:
    """How much waits for the reviewer, how long it will take and since when the oldest of it waits."""
    import json

    from pipeline.reviewers import MINUTES_A_QUESTION, MINUTES_A_SAMPLED_CASE

    as_of = date.fromisoformat(json.loads((department / "manifest.json").read_text("utf-8"))["as_of"])
    questions = len(listed.decisions) + len(listed.records)
    own = f" {listed.own} more are about own cases and left to others." if listed.own else ""
    if not len(listed):
        return [f"Nothing waits for {reviewer}.{own}"]
    minutes = questions * MINUTES_A_QUESTION + len(listed.sample) * MINUTES_A_SAMPLED_CASE
    told = [
        f"{questions} questions wait for {reviewer}, {len(listed.records)} of them for a link; {len(listed.sample)} cases "
        f"are drawn. About {minutes} minutes at {MINUTES_A_QUESTION} a question and {MINUTES_A_SAMPLED_CASE} a case "
        f"drawn.{own}"
    ]
    since = [
        day for frame in (listed.decisions, listed.links) for day in frame["since"] if isinstance(day, date)
    ]
    if since:
        told.append(f"The oldest waits since {min(since)}: {(as_of - min(since)).days} days on {as_of}.")
    if len(listed.sample) < sample:
        told.append(
            f"Only {len(listed.sample)} cases could be drawn: the others are own cases or have been read."
        )
    return told


@dataclass(frozen=True)
class _Place:
    """Where a list comes from and goes to; `name` is the reviewer as part of a file's name."""

    workspace: Path
    edition: Path
    folder: Path
    name: str


def _written(reviewer: str, listed: Listed, place: _Place) -> list[str]:
    """Write the forms and say where they are and what to do with them."""
    from pipeline.commands.reviewer_lists import decisions_form, links_form

    about = _about(listed, place)
    told = []
    if len(listed.decisions) or len(listed.sample):
        file = _put(decisions_form(listed, reviewer, about), "decisions", place)
        told.append(
            f"Wrote {file}. Fill in `counts` (yes or no) and `decided_on` (such as 2026-10-31); leave a row as it is "
            f"where you cannot say yet. Then put the file into {place.workspace / 'decisions' / place.name}."
        )
    if len(listed.records):
        file = _put(links_form(listed, reviewer, about), "links", place)
        told.append(
            f"Wrote {file}. Fill in `case_id`, `decided_on` and `reason`. Then put the file into "
            f"{place.workspace / 'links'}."
        )
    return [*told, "Rows without an answer are asked again. Save as CSV UTF-8 with commas."]


def _about(listed: Listed, place: _Place) -> About:
    import pandas as pd

    from pipeline.catalogue import load_catalogue
    from pipeline.commands.reviewer_lists import About
    from pipeline.reviewers import BETWEEN
    from pipeline.trace.raw_lines import RawLines

    department = place.edition / "department"
    told = pd.concat([listed.decisions["evidence"], listed.links["evidence"], listed.sample["evidence"]])
    references = {reference for evidence in told for reference in evidence.split(BETWEEN) if reference}
    raw = RawLines(place.workspace, department / "as_used" / "mappings")
    return About(
        cases=pd.read_parquet(department / "cases.parquet").set_index("case_id"),
        catalogue=load_catalogue(department / "as_used" / "catalogue.toml"),
        lines={reference: raw.text(reference) for reference in sorted(references)},
    )


def _put(form: pd.DataFrame, table: str, place: _Place) -> Path:
    """Write a form, readable as the editions are, with the mark by which spreadsheets know UTF-8."""
    from pipeline import store

    period, group = _period_and_group(place.edition)
    file = place.folder / _free_name(f"{period}-{place.name}", table, place)
    store.private_folder(place.folder, group)
    store.replace_text("\ufeff" + store.csv_text(form), file, group)
    return file


def _period_and_group(edition: Path) -> tuple[str, str]:
    import json

    manifest = json.loads((edition / "department" / "manifest.json").read_text("utf-8"))
    return manifest["period"], manifest["settings"]["access_group"]


def _free_name(stem: str, table: str, place: _Place) -> str:
    """The first number with which no list was handed in yet; one that nobody has filled in is written anew.

    Raises:
        WrongUse: The list is there, filled in and not handed in.
    """
    from pipeline.people import holds_answers

    number = 1
    while any((place.workspace / table).rglob(f"{stem}-{table}-{number}.csv")):
        number += 1
    name = f"{stem}-{table}-{number}.csv"
    there = place.folder / name
    if there.exists() and holds_answers(there, table):
        raise WrongUse(
            f"{there} holds answers that are not in {table}/ yet. Put it there, or take it away; nothing was written."
        )
    return name
