"""Commands for whoever runs it at night."""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path

import click

from pipeline.commands.places import FOLDER, state_folder


@click.command()
@click.argument("workspace", type=FOLDER)
@click.option(
    "--out", type=FOLDER, default=None, help="Folder of the editions; by default WORKSPACE/editions."
)
def nightly(workspace: Path, out: Path | None) -> None:
    """Do what the schedule asks for up to now, once: validate what came, make the editions that are due.

    For cron or another scheduler. Nights that were missed are done in order, each with what was known then. Notices go
    out only when something has changed.

    \b
    Example: limbaudit nightly our_audit
    """
    from pipeline.nightly import Place, night

    done = night(Place.of(workspace, out or workspace / "editions", state_folder()), datetime.now(UTC))
    for each in done.tasks:
        click.echo(each.words)
        for reason in each.reasons:
            click.echo(f"limbaudit: {reason}", err=True)
    if not done.tasks:
        click.echo("Nothing was due.")
    for problem in done.untold:
        click.echo(f"limbaudit: {problem}", err=True)
    sys.exit(done.exit_code)


@click.command()
@click.argument("workspace", type=FOLDER)
@click.option(
    "--out", type=FOLDER, default=None, help="Folder of the editions; by default WORKSPACE/editions."
)
def status(workspace: Path, out: Path | None) -> None:
    """Say in five lines what ran last, what is due, what is late, what is wrong, who can read the editions.

    \b
    Example: limbaudit status our_audit
    """
    from pipeline.nightly import Place
    from pipeline.status import status_lines

    place = Place.of(workspace, out or workspace / "editions", state_folder())
    for line in status_lines(place, datetime.now(UTC)):
        click.echo(line)
