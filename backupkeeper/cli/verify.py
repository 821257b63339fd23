"""``verify``: read copies again."""

import click

from backupkeeper.cli.session import Session, all_option, json_option
from backupkeeper.report import exits
from backupkeeper.report.checks import verify_lines
from backupkeeper.report.objects import verify_json


@click.command(short_help="Read copies again and compare every byte.")
@click.argument("what", required=False)
@click.option(
    "--in-doubt",
    is_flag=True,
    help="Read on where so much is bad that the drive itself is in doubt.",
)
@all_option
@json_option
@click.pass_obj
def verify(
    session: Session, what: str | None, *, in_doubt: bool, all_paths: bool, as_json: bool
) -> int:
    """Read copies again from their medium and compare every byte.

    WHAT is the name of a place, a shoot, a roll or a path; without it, every drive that is here is
    read. A bucket is read only when it is named, for that downloads everything. Nothing is
    repaired, moved or deleted.

    \b
    Examples:
      backupkeeper verify Travel
      backupkeeper verify "260612 Boatyard/Wide/Roll 01"

    Exits 0 if all of it was read and is right, 1 if anything is not or there was nothing to read,
    3 if something that was asked for could not be reached.
    """
    with session.keeper() as keeper, session.progress(as_json=as_json) as progress:
        outcome = keeper.verify(what, in_doubt=in_doubt, progress=progress)
    return session.tell(
        exits.of_verify(outcome, asked=what is not None),
        as_json=as_json,
        lines=lambda look: verify_lines(outcome, look),
        told=lambda: verify_json(outcome),
        all_paths=all_paths,
    )
