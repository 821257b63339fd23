"""``mirror`` and ``upload``: further copies of what is on a drive."""

import click

from backupkeeper.cli.keeper import Desk
from backupkeeper.cli.output import as_json, tell
from backupkeeper.cli.progress import progress_for
from backupkeeper.report.copies import (
    mirror_lines,
    mirror_object,
    mirror_well,
    upload_lines,
    upload_object,
    upload_well,
)

ATTENTION = 1


@click.command(epilog="Example: backupkeeper mirror")
@as_json
@click.pass_obj
def mirror(desk: Desk, json: bool) -> int:
    """Bring what one drive has to the drive that lacks it.

    Exit codes: 0 all well; 1 something waits or went wrong.
    """
    with desk.open() as keeper, progress_for(keeper, json=json) as progress:
        outcome = keeper.mirror(progress=progress)
    tell(json, lambda: mirror_object(outcome), lambda look: mirror_lines(outcome, look))
    return 0 if mirror_well(outcome) else ATTENTION


@click.command(epilog="Example: backupkeeper upload")
@as_json
@click.pass_obj
def upload(desk: Desk, json: bool) -> int:
    """Bring every roll into the bucket, from the drives that are here.

    Exit codes: 0 all well; 1 something waits or went wrong, or there is no bucket.
    """
    with desk.open() as keeper, progress_for(keeper, json=json) as progress:
        outcomes = keeper.upload(progress=progress)
    tell(json, lambda: upload_object(outcomes), lambda look: upload_lines(outcomes, look))
    return 0 if upload_well(outcomes) else ATTENTION
