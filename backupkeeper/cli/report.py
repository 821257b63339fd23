"""``report``: how everything stands, in one answer and all that it rests on."""

import click

from backupkeeper.cli.session import Session, all_option, json_option
from backupkeeper.report import exits
from backupkeeper.report.overview import overview_lines
from backupkeeper.report.overview_json import overview_json


@click.command(short_help="How everything stands, and what to do.")
@all_option
@json_option
@click.pass_obj
def report(session: Session, all_paths: bool, as_json: bool) -> int:
    """Show how everything stands: the answer, what to do, every shoot, drive, bucket, damage, drill.

    Reads the catalog and looks which drives are here; asks no bucket.

    \b
    Example:
      backupkeeper report

    Exits 0 if all is well, 1 if something needs you.
    """
    with session.keeper() as keeper:
        found = keeper.overview()
    return session.tell(
        exits.of_overview(found),
        as_json=as_json,
        lines=lambda look: overview_lines(found, look),
        told=lambda: overview_json(found),
        all_paths=all_paths,
    )
