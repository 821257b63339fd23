"""``mirror`` and ``upload``: more copies from the copies that there are."""

import click

from backupkeeper.cli.session import Session, all_option, json_option
from backupkeeper.report import exits
from backupkeeper.report.deeds import mirror_lines, upload_lines
from backupkeeper.report.objects import mirror_json, upload_json


@click.command(short_help="Bring to each drive what another has.")
@all_option
@json_option
@click.pass_obj
def mirror(session: Session, all_paths: bool, as_json: bool) -> int:
    """Bring to each drive what another drive has and it lacks, proven on arrival.

    Copies are taken from proven ones only; nothing that is there is written over.

    \b
    Example:
      backupkeeper mirror

    Exits 0 if no role lacks anything, 1 if something needs attention or waits for a drive, 3 if a
    drive could not be used.
    """
    with session.keeper() as keeper, session.progress(as_json=as_json) as progress:
        outcome = keeper.mirror(progress=progress)
    return session.tell(
        exits.of_mirror(outcome),
        as_json=as_json,
        lines=lambda look: mirror_lines(outcome, look),
        told=lambda: mirror_json(outcome),
        all_paths=all_paths,
    )


@click.command(short_help="Bring to each bucket what it lacks.")
@click.option("--now", is_flag=True, help="Take the whole line, whatever its limit.")
@all_option
@json_option
@click.pass_obj
def upload(session: Session, now: bool, all_paths: bool, as_json: bool) -> int:
    """Bring to each bucket what it lacks, and prove that it arrived.

    It goes on whatever the hour, within the limit that is set for it ([upload] limit and windows).

    A bucket that was not seen to refuse wrong bytes proves nothing by its word: there everything
    is fetched back and compared, and the report says so.

    \b
    Example:
      backupkeeper upload

    Exits 0 if no bucket lacks anything, 1 if something needs attention, waits for a drive, or there
    is no bucket, 3 if one did not answer.
    """
    with session.keeper() as keeper, session.progress(as_json=as_json) as progress:
        outcomes = keeper.upload(now=now, progress=progress)
    return session.tell(
        exits.of_upload(outcomes),
        as_json=as_json,
        lines=lambda look: upload_lines(outcomes, look),
        told=lambda: upload_json(outcomes),
        all_paths=all_paths,
    )
