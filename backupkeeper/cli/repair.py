"""``repair``: damaged copies made whole again."""

import click

from backupkeeper.cli.session import Session, all_option, json_option
from backupkeeper.report import exits
from backupkeeper.report.repair import repair_json, repair_lines


@click.command(short_help="Mend damaged copies from what is still right.")
@click.argument("what", required=False)
@click.option("--dry-run", is_flag=True, help="Only say what would be done.")
@click.option(
    "--edited",
    is_flag=True,
    help="Put originals back where somebody edited them, too; the edited files are set aside.",
)
@click.option(
    "--in-doubt",
    is_flag=True,
    help="Mend also on a drive on which so much was bad at once that it is in doubt as a whole.",
)
@all_option
@json_option
@click.pass_obj
def repair(
    session: Session,
    what: str | None,
    *,
    dry_run: bool,
    edited: bool,
    in_doubt: bool,
    all_paths: bool,
    as_json: bool,
) -> int:
    """Make damaged copies whole again from whatever is still right, block by block.

    WHAT is the name of a place, a shoot, a roll or a path; without it, everything that is known to
    be damaged on a drive that is here, and in a bucket that is named. What to mend is known from
    'backupkeeper verify' and from the daemon's proofs. The damaged file is kept in the drive's
    folder .backupkeeper/set-aside, with a note.

    \b
    Examples:
      backupkeeper repair --dry-run
      backupkeeper repair "260612 Boatyard/Wide/Roll 01"

    Exits 0 if nothing that is known is left damaged there, 1 if something is, 3 if a whole place could
    not be used.
    """
    with session.keeper() as keeper, session.progress(as_json=as_json) as progress:
        outcome = keeper.repair(
            what, dry_run=dry_run, edited=edited, in_doubt=in_doubt, progress=progress
        )
    return session.tell(
        exits.of_repair(outcome),
        as_json=as_json,
        lines=lambda look: repair_lines(outcome, look),
        told=lambda: repair_json(outcome),
        all_paths=all_paths,
    )
