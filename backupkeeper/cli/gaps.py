"""``gaps``: where anything falls short."""

import click

from backupkeeper.cli.keeper import Desk
from backupkeeper.cli.output import as_json, tell
from backupkeeper.report.gaps import gaps_lines, gaps_object

ATTENTION = 1


@click.command(epilog="Example: backupkeeper gaps --json")
@as_json
@click.pass_obj
def gaps(desk: Desk, json: bool) -> int:
    """Show every roll against every role, worst first, and what to do next.

    Reads the catalog only: no drive has to be here.

    Exit codes: 0 no gap; 1 a gap, or an offload that was not finished.
    """
    with desk.open() as keeper:
        report = keeper.gaps()
    tell(json, lambda: gaps_object(report), lambda look: gaps_lines(report, look))
    return ATTENTION if report.with_gaps or report.unfinished else 0
