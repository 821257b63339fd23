"""``may-wipe``: the verdict on a card."""

import click

from backupkeeper.cli.keeper import Desk
from backupkeeper.cli.output import as_json, tell
from backupkeeper.cli.progress import progress_for
from backupkeeper.report.verdict import verdict_lines, verdict_object

YES, NO = 0, 1


@click.command("may-wipe", epilog="Example: backupkeeper may-wipe /media/me/CARD")
@click.argument("card")
@as_json
@click.pass_obj
def may_wipe(desk: Desk, card: str, json: bool) -> int:
    """Answer: may this card be wiped?

    Reads the whole card and asks for a proof of every file in every role. Nothing is wiped.

    Exit codes: 0 for yes and for nothing else; 1 for no; 2 or 3 if there is no answer.
    """
    with desk.open() as keeper:
        with progress_for(keeper, json=json) as progress:
            verdict = keeper.may_wipe(card, progress=progress)
        names = keeper.place_names()
    tell(
        json,
        lambda: verdict_object(verdict, names),
        lambda look: verdict_lines(verdict, names, look),
    )
    return YES if verdict.may_wipe else NO
