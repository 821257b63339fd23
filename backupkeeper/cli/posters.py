"""``posters``: a small picture of each clip; and those that are made at the end of an offload."""

import click

from backupkeeper.cli.keeper import Keeper
from backupkeeper.cli.session import Session, all_option, json_option
from backupkeeper.core.errors import BackupkeeperError
from backupkeeper.core.outcomes import OffloadOutcome
from backupkeeper.report import exits
from backupkeeper.report.posters_made import posters_json, posters_lines


@click.command(short_help="A small picture of each clip, to know a card by.")
@click.argument("what", required=False)
@all_option
@json_option
@click.pass_obj
def posters(session: Session, what: str | None, *, all_paths: bool, as_json: bool) -> int:
    """Make the posters that are missing: a small picture of each clip, with its length.

    They are made after every offload by themselves ([report] posters); this makes those of older
    rolls, or all of them again where their folder was deleted. WHAT is the name of a place, a shoot,
    a roll or a path; without it, of everything. Only proven copies on drives that are here are read,
    never a card, and nothing is written to a drive. It needs the extra `media`.

    \b
    Examples:
      backupkeeper posters
      backupkeeper posters "260612 Boatyard"

    Exits 0 if every clip has its poster, 1 if some have none, 3 if one could not be kept.
    """
    with session.keeper() as keeper, session.progress(as_json=as_json) as progress:
        outcome = keeper.posters(what, progress=progress)
    return session.tell(
        exits.of_posters(outcome),
        as_json=as_json,
        lines=lambda look: posters_lines(outcome, look),
        told=lambda: posters_json(outcome),
        all_paths=all_paths,
    )


def make_afterwards(
    session: Session, keeper: Keeper, outcome: OffloadOutcome, *, as_json: bool
) -> None:
    """The posters of what was just offloaded: the answer was told, and nothing here changes it.

    Ctrl-C ends it; what is missing then ``posters`` makes.
    """
    try:
        with session.progress(as_json=as_json) as progress:
            for sentence in keeper.posters_after(outcome, progress=progress):
                progress.note(sentence)
    except (BackupkeeperError, KeyboardInterrupt):
        return
