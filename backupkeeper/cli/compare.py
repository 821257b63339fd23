"""``compare``: two drives, or two folders, held against each other."""

import click

from backupkeeper.cli.session import Session, all_option, json_option
from backupkeeper.report import exits
from backupkeeper.report.comparing import compared_json, compared_lines


@click.command(short_help="Hold two drives, or two folders, against each other.")
@click.argument("one")
@click.argument("two")
@click.option("--read", is_flag=True, help="Read every byte of both.")
@all_option
@json_option
@click.pass_obj
def compare(
    session: Session, one: str, two: str, *, read: bool, all_paths: bool, as_json: bool
) -> int:
    """Say what two drives (or folders) have in common, and what only one of them has.

    ONE and TWO are names of places, or paths of folders. Without --read, what a file's content is says
    what was proven before; files of which that is not known are told as that. Nothing is written.

    \b
    Examples:
      backupkeeper compare Main Travel
      backupkeeper compare /media/me/MAIN/Sound /media/me/TRAVEL/Sound --read

    Exits 0 if there is no difference, 1 if there is one, or something is not known, 3 if one is away.
    """
    with session.keeper() as keeper, session.progress(as_json=as_json) as progress:
        found = keeper.compare(one, two, read=read, progress=progress)
    return session.tell(
        exits.WELL if found.is_same else exits.ATTENTION,
        as_json=as_json,
        lines=lambda look: compared_lines(found, look),
        told=lambda: compared_json(found),
        all_paths=all_paths,
    )
