"""``gaps``: where anything falls short."""

import click

from backupkeeper.cli.session import Session, all_option, json_option
from backupkeeper.report import exits
from backupkeeper.report.gaps import gaps_json, gaps_lines


@click.command(short_help="Every roll against every role, worst first.")
@all_option
@json_option
@click.pass_obj
def gaps(session: Session, all_paths: bool, as_json: bool) -> int:
    """Show every roll against every role, worst first, and what to do next.

    Reads the catalog only: no drive has to be here.

    \b
    Example:
      backupkeeper gaps

    Exits 0 if there is no gap, 1 if there is one or an offload was not finished.
    """
    with session.keeper() as keeper:
        report = keeper.gaps()
    return session.tell(
        exits.of_gaps(report),
        as_json=as_json,
        lines=lambda look: gaps_lines(report, look),
        told=lambda: gaps_json(report),
        all_paths=all_paths,
    )
