"""``verify``: read copies again."""

import click

from backupkeeper.cli.keeper import Desk
from backupkeeper.cli.output import as_json, every_path, tell
from backupkeeper.cli.progress import progress_for
from backupkeeper.report.checks import verify_lines
from backupkeeper.report.exits import of_verify
from backupkeeper.report.objects import verify_json


@click.command(
    epilog='Examples: backupkeeper verify Main; backupkeeper verify "260612 Boatyard/Wide/Roll 01"'
)
@click.argument("what", required=False)
@as_json
@every_path
@click.pass_obj
def verify(desk: Desk, what: str | None, json: bool, every: bool) -> int:
    """Read copies again from their medium: a place, a shoot, a roll or a path.

    Without WHAT: every drive that is here. A bucket only when it is named, for everything in it is
    then downloaded.

    Exit codes: 0 everything asked for was read and matches; 1 something does not; 3 what was asked
    for can't be reached.
    """
    with desk.open() as keeper, progress_for(keeper, json=json) as progress:
        outcome = keeper.verify(what, progress=progress)
    tell(
        lambda: verify_json(outcome),
        lambda look: verify_lines(outcome, look),
        json=json,
        every=every,
    )
    return of_verify(outcome, asked=what is not None)
