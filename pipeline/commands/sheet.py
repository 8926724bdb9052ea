"""`limbaudit sheet`: one surgeon's own page before the meeting, and the form in which a case is questioned."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.commands.access import Logged, used
from pipeline.commands.places import FOLDER
from pipeline.errors import WrongUse

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.publish import Context

TO_REVIEW = "to_review"
TABLES = ("cases", "complications", "records", "tables/surgeon_outcomes")
NOBODY = "unattributed"
#: Columns of the form, in the order in which somebody reads them; those of requests are all among them.
FORM = ("case_id", "category", "question", "because", "asked_on", "surgeon")
OF_THE_CASE = "The case itself: side, operation, surgeon or date"


@click.command(cls=Logged)
@click.argument("workspace", type=FOLDER)
@click.argument("surgeon")
@click.option("--period", default="", help="Period of the edition; by default the newest.")
@click.option(
    "--out", type=click.Path(path_type=Path, dir_okay=False), default=None,
    help="File of the page; by default in WORKSPACE/to_review/SURGEON. The form lies beside it.",
)  # fmt: skip
@click.option(
    "--editions", type=FOLDER, default=None, help="Folder of the editions; by default WORKSPACE/editions."
)
def sheet(workspace: Path, surgeon: str, period: str, out: Path | None, editions: Path | None) -> None:
    """Write one surgeon's own page before the meeting, and a form to question a case. SURGEON is <site>/<id>.

    It is made from the standing edition; where there is none, from an audit made for this once.

    \b
    Example: limbaudit sheet our_audit harbour/S3
    """
    from tempfile import TemporaryDirectory

    from pipeline.run import Asked, audited
    from pipeline.workspace import standing_edition

    known = editions or workspace / "editions"
    with TemporaryDirectory() as once:
        standing = standing_edition(known, period)
        if standing is not None and not _is_readable(standing):
            standing = None
        edition = standing or audited(Asked(workspace, period=period), Path(once)).place
        own = _Sheet.of(workspace, known, edition, surgeon, out)
        used(standing, surgeon)
        for line in _written(own):
            click.echo(line)


def _is_readable(edition: Path) -> bool:
    """Whether this version wrote it, so that it holds all that the page needs."""
    import pyarrow.parquet as pq

    department = edition / "department"
    if not all((department / f"{name}.parquet").is_file() for name in TABLES):
        return False
    return "known_on" in pq.read_schema(department / "complications.parquet").names


@dataclass(frozen=True)
class _Sheet:
    """What is written where: the page and, beside it, the form."""

    context: Context
    tables: dict[str, pd.DataFrame]
    surgeon: str
    edition: str
    file: Path
    form: Path
    requests: Path

    @classmethod
    def of(cls, workspace: Path, editions: Path, edition: Path, surgeon: str, out: Path | None) -> _Sheet:
        """Raises WrongUse if the surgeon is not known, or the page would lie among the editions."""
        from pipeline.commands.edition_context import edition_context

        tables = {name.rpartition("/")[2]: _published(edition, name) for name in TABLES}
        _check_known(surgeon, tables["cases"]["surgeon"])
        context = edition_context(edition)
        name = _file_name(surgeon)
        requests = workspace / "requests"
        file = out or workspace / TO_REVIEW / name / f"{context.period}-{name}.pdf"
        _check_outside(file, editions)
        form = file.with_name(_free_form(f"{context.period}-{name}", file.parent, requests))
        return cls(context, tables, surgeon, edition.name, file, form, requests)


def _file_name(surgeon: str) -> str:
    """`harbour_S1` for `harbour/S1`: letters of any script, digits and hyphens alone, as every file system takes them.

    Where something else had to go, a few signs of its own keep the name from being another surgeon's.
    """
    parts = surgeon.split("/", 1)
    kept = ["-".join(re.findall(r"(?:[^\W_]|-)+", part)) for part in parts]
    plain = "_".join(part for part in kept if part)
    return (
        plain if kept == parts else "-".join(filter(None, [plain, sha256(surgeon.encode()).hexdigest()[:6]]))
    )


def _published(edition: Path, name: str) -> pd.DataFrame:
    import pyarrow.parquet as pq

    return pq.read_table(edition / "department" / f"{name}.parquet").to_pandas()


def _check_known(surgeon: str, found: Iterable[str]) -> None:
    known = sorted(set(found) - {NOBODY})
    if surgeon in known:
        return
    bare = surgeon.rpartition("/")[2].casefold()
    near = [name for name in known if name.rpartition("/")[2].casefold() == bare]
    near = near or difflib.get_close_matches(surgeon, known, 3, 0.5)
    hint = f" Did you mean {' or '.join(f'`{name}`' for name in near[:3])}?" if near else ""
    raise WrongUse(
        f"No case of the edition was the responsibility of `{surgeon}`.{hint} Write <site>/<id> as in the column `surgeon` of "
        "surgeon_outcomes.csv; nothing was written."
    )


def _check_outside(file: Path, editions: Path) -> None:
    if editions.resolve() in file.resolve().parents:
        raise WrongUse(
            f"{file} lies among the editions, which hold no page of one surgeon. Name another file; nothing was written."
        )


def _free_form(stem: str, folder: Path, handed_in: Path) -> str:
    """The first number with which no form was handed in yet; one that nobody has filled in is written anew.

    Raises:
        WrongUse: The form is there, filled in and not handed in.
    """
    from pipeline.people import holds_answers

    number = 1
    while (handed_in / f"{stem}-requests-{number}.csv").exists():
        number += 1
    there = folder / f"{stem}-requests-{number}.csv"
    if there.exists() and holds_answers(there, "requests"):
        raise WrongUse(
            f"{there} holds questions that are not in requests/ yet. Put it there, or take it away; nothing was written."
        )
    return there.name


def _written(own: _Sheet) -> Sequence[str]:
    """Write both files, readable as the editions are, and say where they are and what to do with them."""
    from pipeline import store
    from pipeline.publish.sheet import surgeon_sheet

    group = own.context.settings.access_group
    page = surgeon_sheet(own.tables, own.context, own.surgeon, own.edition, own.form.name)
    store.private_folder(own.file.parent, group)
    store.replace_bytes(page, own.file, group)
    store.replace_text("\ufeff" + store.csv_text(_form(own)), own.form, group)
    return (
        f"Wrote {own.file}. It is for {own.surgeon} alone.",
        f"Wrote {own.form}. To question a case fill in `because` and `asked_on` (such as 2026-10-31) of its row, leave the "
        f"others as they are, and put the file into {own.requests}. It asks reviewers and changes no count.",
    )


def _form(own: _Sheet) -> pd.DataFrame:
    """A row a complication that counts or waits, and one for each of these cases itself."""
    import pandas as pd

    from pipeline.publish import words
    from pipeline.publish.sheet import own_cases, own_complications

    named = words.names(own.context)
    shown = own_complications(own.tables, own.surgeon, own.context)
    place = {case_id: number for number, case_id in enumerate(own_cases(own.tables, own.surgeon)["case_id"])}
    rows = pd.DataFrame({"case_id": shown["case_id"], "category": shown["category"]})
    rows["question"] = [named.category(key) for key in rows["category"]]
    whole = pd.DataFrame({"case_id": rows["case_id"].unique(), "category": "", "question": OF_THE_CASE})
    both = pd.concat([rows, whole], ignore_index=True)
    both = both.assign(place=both["case_id"].map(place), surgeon=own.surgeon)
    ordered = both.sort_values("place", kind="stable")
    return ordered.reindex(columns=list(FORM)).astype("string").fillna("").reset_index(drop=True)
