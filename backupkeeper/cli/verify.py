"""``verify``: read copies again."""

import click

from backupkeeper.cli.keeper import Desk
from backupkeeper.cli.output import as_json, tell
from backupkeeper.cli.progress import progress_for
from backupkeeper.report.verify import nothing_reached, verify_lines, verify_object

ATTENTION, NOT_REACHED = 1, 3


@click.command(
    epilog='Examples: backupkeeper verify Main; backupkeeper verify "260612 Boatyard/Wide/Roll 01"'
)
@click.argument("what", required=False)
@as_json
@click.pass_obj
def verify(desk: Desk, what: str | None, json: bool) -> int:
    """Read copies again from their medium: a place, a shoot, a roll or a path.

    Without WHAT: every drive that is here. A bucket only when it is named, for everything in it is
    then downloaded.

    Exit codes: 0 everything asked for was read and matches; 1 something does not; 3 what was asked
    for can't be reached.
    """
    with desk.open() as keeper, progress_for(keeper, json=json) as progress:
        outcome = keeper.verify(what, progress=progress)
    tell(json, lambda: verify_object(outcome), lambda look: verify_lines(outcome, look))
    if nothing_reached(outcome):
        return NOT_REACHED
    return 0 if outcome.all_well else ATTENTION
