"""Commands about editions that stand: sign, verify, prune."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from pipeline.commands.access import Logged, used
from pipeline.commands.places import FOLDER
from pipeline.commands.progress import progress


@click.command(cls=Logged)
@click.argument("workspace", type=FOLDER)
@click.argument("period")
@click.option("--role", required=True, help='In which role you sign, such as "quality officer"; no name.')
@click.option(
    "--despite",
    default="",
    help="Why it is signed although it is out of tolerance; printed on the first page.",
)
@click.option(
    "--out", type=FOLDER, default=None, help="Folder of the editions; by default WORKSPACE/editions."
)
def sign(workspace: Path, period: str, role: str, despite: str, out: Path | None) -> None:
    """Sign the standing draft of a period: it becomes a numbered edition that never changes.

    \b
    Example: limbaudit sign our_audit 2026-10 --role "quality officer"
    """
    from pipeline.signing import signed

    with progress() as listener:
        done = signed(workspace, period, role, despite, out or workspace / "editions", listener)
    used(done.place)
    click.echo(f"Signed as number {done.number} of {period}: {done.place}")
    for warning in done.warnings:
        click.echo(f"limbaudit: signed despite: {warning}", err=True)


@click.command()
@click.argument("place", type=FOLDER)
def verify(place: Path) -> None:
    """Look whether editions are as they were written: every file against its manifest, signatures too.

    PLACE is a workspace, a folder of editions, or one edition. Ends with 0 if all is right, with 3 if not.

    \b
    Example: limbaudit verify our_audit
    """
    from pipeline.verifying import looked_at

    looks = looked_at(place)
    for look in looks:
        click.echo(f"{look.name}: {look.words}")
        for fault in look.faults:
            click.echo(f"limbaudit: {look.name}: {fault}", err=True)
    sys.exit(3 if any(look.faults for look in looks) else 0)


@click.command()
@click.argument("workspace", type=FOLDER)
@click.option("--dry-run", is_flag=True, help="Say what would be deleted and why, and delete nothing.")
@click.option(
    "--out", type=FOLDER, default=None, help="Folder of the editions; by default WORKSPACE/editions."
)
def prune(workspace: Path, dry_run: bool, out: Path | None) -> None:
    """Delete drafts that were replaced, and signed editions replaced more than `keep_months` ago.

    Never the current edition of a period and never its last signed one.

    \b
    Example: limbaudit prune our_audit --dry-run
    """
    from pipeline.nightly import settings_of
    from pipeline.pruning import pruned, unneeded
    from pipeline.publish import write_front_page

    settings = settings_of(workspace)
    editions = out or workspace / "editions"
    keep, group = settings.keep_months, settings.access_group
    found = unneeded(editions, keep) if dry_run else pruned(editions, keep, group, write_front_page)
    for each in found:
        click.echo(f"{'Would delete' if dry_run else 'Deleted'} {each.words}")
    if not found:
        click.echo("Nothing to delete.")
