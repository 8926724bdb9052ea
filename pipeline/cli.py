"""The command line. Everything heavy is imported inside the commands, so that `--help` is quick."""

from __future__ import annotations

import gc
import sys
import traceback
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline.commands.access import Logged, used
from pipeline.commands.editions import prune, sign, verify
from pipeline.commands.pages import catalogue, dictionary, findings
from pipeline.commands.places import FOLDER, engine_options, kept_folder, state_folder
from pipeline.commands.progress import progress
from pipeline.commands.review import review
from pipeline.commands.sheet import sheet
from pipeline.commands.unattended import nightly, schedule, status
from pipeline.errors import LimbauditError
from pipeline.second import OBJECTS_BETWEEN_SWEEPS

if TYPE_CHECKING:
    from pipeline.run import Asked, Done

FILE = click.Path(path_type=Path, dir_okay=False)
GROUPS = {
    "Quality officer": ("new", "receive", "map", "check", "run", "sign", "status"),
    "Reviewer and surgeon": ("review", "sheet", "trace"),
    "IT": ("nightly", "schedule", "verify", "prune"),
    "Builder": ("sample", "dictionary", "catalogue", "findings"),
}


class Day(click.ParamType):
    """A day such as 2026-10-31."""

    name = "date"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> date:
        if isinstance(value, date):
            return value
        try:
            return datetime.strptime(value, "%Y-%m-%d").date()
        except ValueError:
            self.fail(f"`{value}` is not a day such as 2026-10-31.", param, ctx)


class Grouped(click.Group):
    """Commands listed by who uses them; our errors become a message and an exit code."""

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        for title, names in GROUPS.items():
            with formatter.section(title):
                formatter.write_dl([(name, self.commands[name].get_short_help_str(80)) for name in names])

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except LimbauditError as error:
            click.echo(f"limbaudit: {error}", err=True)
            ctx.exit(error.exit_code)
        except (KeyboardInterrupt, click.Abort):
            click.echo("limbaudit: stopped. Nothing was written.", err=True)
            ctx.exit(3)
        except (click.exceptions.Exit, click.ClickException):
            raise
        except (
            Exception
        ) as fault:  # the last door: say where, never what was in the data, and never end with 1
            click.echo(_fault_text(fault), err=True)
            ctx.exit(3)


def _fault_text(fault: Exception) -> str:
    """Where the program failed, without the message, which may hold cell values."""
    if isinstance(fault, OSError):
        return (
            f"limbaudit: {fault.strerror or type(fault).__name__}: {fault.filename or ''}. Could not finish."
        )
    places = "".join(traceback.format_tb(fault.__traceback__))
    return (
        f"{places}limbaudit: {type(fault).__name__}. Nothing was written. This is a fault of the program: "
        "report the lines above; they hold no data."
    )


@click.group(cls=Grouped, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="limbaudit")
def main() -> None:
    """Count the complications of limb operations from a department's own records, and say what so few can show.

    \b
    Exit codes: 0 done; 1 done, but something is out of tolerance (stderr says what);
    2 wrong use or settings; 3 could not finish, nothing was changed.
    """
    gc.set_threshold(OBJECTS_BETWEEN_SWEEPS)


for command in (
    review,
    sheet,
    sign,
    verify,
    prune,
    nightly,
    schedule,
    status,
    dictionary,
    catalogue,
    findings,
):
    main.add_command(command)


@main.command()
@click.argument("folder", type=FOLDER)
def new(folder: Path) -> None:
    """Make an empty workspace.

    \b
    Example: limbaudit new our_audit
    """
    from pipeline.workspace import made_new

    made = made_new(folder)
    click.echo(f"Made {folder} with {', '.join(place.name for place in made)}.")
    click.echo(f"Next: edit {folder / 'audit.toml'}, then `limbaudit receive {folder} SITE FILE`.")


@main.command()
@click.argument("workspace", type=FOLDER)
@click.argument("site")
@click.argument("files", type=FILE, nargs=-1, required=True)
@click.option("--on", type=Day(), default=None, help="Day the export arrived; by default today.")
def receive(workspace: Path, site: str, files: tuple[Path, ...], on: date | None) -> None:
    """Put a site's exports where the audit looks for them.

    \b
    Example: limbaudit receive our_audit harbour operations.csv events.csv --on 2026-11-02
    """
    from pipeline.workspace import received_files

    for put in received_files(workspace, site, files, on or date.today()):
        click.echo(f"{'Already there' if put.already else 'Received'}: {put.place}")


@main.command("map")
@click.argument("workspace", type=FOLDER)
@click.argument("site")
@click.option(
    "--out", type=FILE, default=None, help="Write the draft to a new file; by default it is printed."
)
def map_(workspace: Path, site: str, out: Path | None) -> None:
    """Draft a site's mapping from the files it sent, for a person to finish. Nothing is applied.

    \b
    Example: limbaudit map our_audit lakeside --out our_audit/mappings/lakeside.toml
    """
    from pipeline.drafting import drafted, write_draft

    draft = drafted(workspace, site)
    if out is None:
        click.echo(draft.text, nl=False)
    else:
        write_draft(draft, out)
        click.echo(f"Wrote {out}.")
    place = workspace / "mappings" / f"{site}.toml"
    there = f" {place} exists; compare." if out is None and place.exists() else ""
    click.echo(
        f"{draft.questions} questions (lines that begin with `# ?`), {draft.unread} files not used.{there} Next: finish "
        f"the lines in {out or place}, then `limbaudit check {workspace}`.",
        err=True,
    )


def _asked(workspace: Path, **more: Any) -> Asked:
    from pipeline.run import Asked
    from pipeline.second import processes_here

    return Asked(workspace, kept=kept_folder(workspace), processes=processes_here(), **more)


def _finish(done: Done, what: str) -> None:
    """Say what was written and why the run is not within tolerance, and end with its exit code."""
    from pipeline.summary import last_lines

    for note in done.notes:
        click.echo(note)
    click.echo(f"{what} {done.place}")
    inside = done.place / "department"
    tables = inside if inside.is_dir() else done.place
    if done.warnings:
        for line in last_lines(done.warnings, done.summary, tables):
            click.echo(f"limbaudit: {line}", err=True)
    elif done.summary.count:
        click.echo(f"Within tolerance. {done.summary.count}. All of them: {tables / 'quarantine.csv'}.")
    sys.exit(done.exit_code)


@main.command()
@click.argument("workspace", type=FOLDER)
@click.option(
    "--as-of", type=Day(), default=None, help="Last day whose receipts are used; by default the newest."
)
@click.option(
    "--out", type=FOLDER, default=None, help="Folder for the tables; by default in the state folder."
)
def check(workspace: Path, as_of: date | None, out: Path | None) -> None:
    """Check every export: what is accepted, held back, repaired, and what to tell the sender. No edition.

    \b
    Example: limbaudit check our_audit --out checked
    """
    from dataclasses import replace

    from pipeline.engine import LOCAL, engine_for
    from pipeline.run import checked, ground_of

    asked = _asked(workspace, as_of=as_of)
    place = out or state_folder() / "checks" / ground_of(asked).as_of.isoformat()
    with progress() as listener, engine_for(LOCAL, "", 0, place) as engine:
        done = checked(replace(asked, engine=engine), place, listener)
    _finish(done, "Wrote ledger, held-back rows, repairs, quality and notes to the senders to")


@main.command(cls=Logged)
@click.argument("workspace", type=FOLDER)
@click.option("--period", default="", help="2026-10, 2026-Q4 or 2026; by default the last whole one.")
@click.option(
    "--as-of",
    type=Day(),
    default=None,
    help="Last day whose receipts and decisions are used; by default the newest.",
)
@click.option("--as-in", default="", help="Use settings, catalogue and mappings as an earlier edition did.")
@click.option(
    "--out", type=FOLDER, default=None, help="Folder of the editions; by default WORKSPACE/editions."
)
@engine_options
@click.option(
    "--parts",
    type=click.IntRange(1, 4096),
    default=None,
    help="Cut the patients into parts; changes no result.",
)
def run(
    workspace: Path,
    period: str,
    as_of: date | None,
    as_in: str,
    out: Path | None,
    engine: str,
    scheduler: str,
    parts: int | None,
) -> None:
    """Run the audit and write an edition: tables, lists, report.

    \b
    Example: limbaudit run our_audit --period 2026-10
    """
    from dataclasses import replace

    from pipeline.engine import engine_for
    from pipeline.run import audited, ground_of
    from pipeline.unattended.lock import held
    from pipeline.workspace import rules_of

    editions = out or workspace / "editions"
    rules = rules_of(as_in, editions) if as_in else None
    asked = _asked(workspace, period=period, as_of=as_of, rules=rules)
    with (
        progress() as listener,
        held(editions, "limbaudit run", ground_of(asked).settings.access_group),
        engine_for(engine, scheduler, parts or 0, editions) as place,
    ):
        done = audited(replace(asked, engine=place), editions, listener)
    used(done.place)
    click.echo(f"Period {done.ground.period.name}, cut {done.ground.cut_on}, as of {done.ground.as_of}.")
    _finish(done, "Wrote the draft edition to" if done.written else "Nothing was written. It lies in")


@main.command(cls=Logged)
@click.argument("workspace", type=FOLDER)
@click.argument("case_id")
@click.option("--period", default="", help="Period of the edition; by default the newest.")
@click.option(
    "--out", type=FOLDER, default=None, help="Folder of the editions; by default WORKSPACE/editions."
)
def trace(workspace: Path, case_id: str, period: str, out: Path | None) -> None:
    """Tell one case's story down to the lines of the exports.

    It is told from the standing edition; where there is none, from an audit made for this once. CASE_ID may also be the
    id of an operation or record, alone or after its site.

    \b
    Example: limbaudit trace our_audit harbour.1042.L
    """
    from tempfile import TemporaryDirectory

    from pipeline.run import audited
    from pipeline.trace import story_of
    from pipeline.workspace import standing_edition

    editions = out or workspace / "editions"
    with TemporaryDirectory() as once:
        standing = standing_edition(editions, period)
        edition = standing or audited(_asked(workspace, period=period), Path(once)).place
        lines = list(story_of(workspace, edition, case_id))
        used(standing, case_id)
        for line in lines:
            click.echo(line)


@main.command()
@click.argument("folder", type=FOLDER)
@click.option(
    "--cases", type=click.IntRange(1), default=1500, show_default=True, help="About how many operations."
)
@click.option("--seed", type=int, default=1, show_default=True, help="The same seed gives the same bytes.")
@click.option("--faults", is_flag=True, help="Add the faults that hospitals send.")
def sample(folder: Path, cases: int, seed: int, faults: bool) -> None:
    """Write an invented workspace of three hospitals.

    \b
    Example: limbaudit sample demo --cases 300 --seed 7 --faults
    """
    from pipeline.errors import WrongUse
    from schemas.sample import write_sample

    if folder.exists() and any(folder.iterdir()):
        raise WrongUse(f"{folder} is not empty. Name a new folder; nothing was written.")
    write_sample(folder, cases, seed, faults)
    click.echo(f"Wrote an invented workspace to {folder}. Next: `limbaudit run {folder}`.")
