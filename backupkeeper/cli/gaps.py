"""``gaps``: where anything falls short."""

import click

from backupkeeper.cli.keeper import Desk
from backupkeeper.cli.output import as_json, every_path, tell
from backupkeeper.report.exits import of_gaps
from backupkeeper.report.gaps import gaps_json, gaps_lines


@click.command(epilog="Example: backupkeeper gaps --json")
@as_json
@every_path
@click.pass_obj
def gaps(desk: Desk, json: bool, every: bool) -> int:
    """Show every roll against every role, worst first, and what to do next.

    Reads the catalog only: no drive has to be here.

    Exit codes: 0 no gap; 1 a gap, or an offload that was not finished.
    """
    with desk.open() as keeper:
        report = keeper.gaps()
    tell(lambda: gaps_json(report), lambda look: gaps_lines(report, look), json=json, every=every)
    return of_gaps(report)
