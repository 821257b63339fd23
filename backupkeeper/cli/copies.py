"""``mirror`` and ``upload``: further copies of what is on a drive."""

import click

from backupkeeper.cli.keeper import Desk
from backupkeeper.cli.output import as_json, every_path, tell
from backupkeeper.cli.progress import progress_for
from backupkeeper.report.deeds import mirror_lines, upload_lines
from backupkeeper.report.exits import of_mirror, of_upload
from backupkeeper.report.objects import mirror_json, upload_json


@click.command(epilog="Example: backupkeeper mirror")
@as_json
@every_path
@click.pass_obj
def mirror(desk: Desk, json: bool, every: bool) -> int:
    """Bring what one drive has to the drive that lacks it.

    Exit codes: 0 all well; 1 something waits or went wrong; 3 could not finish.
    """
    with desk.open() as keeper, progress_for(keeper, json=json) as progress:
        outcome = keeper.mirror(progress=progress)
    tell(
        lambda: mirror_json(outcome),
        lambda look: mirror_lines(outcome, look),
        json=json,
        every=every,
    )
    return of_mirror(outcome)


@click.command(epilog="Example: backupkeeper upload")
@as_json
@every_path
@click.pass_obj
def upload(desk: Desk, json: bool, every: bool) -> int:
    """Bring every roll into the bucket, from the drives that are here.

    Exit codes: 0 all well; 1 something waits or went wrong, or there is no bucket; 3
    could not finish.
    """
    with desk.open() as keeper, progress_for(keeper, json=json) as progress:
        outcomes = keeper.upload(progress=progress)
    tell(
        lambda: upload_json(outcomes),
        lambda look: upload_lines(outcomes, look),
        json=json,
        every=every,
    )
    return of_upload(outcomes)
