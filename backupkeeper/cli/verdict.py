"""``may-wipe``: the verdict on a card."""

import click

from backupkeeper.cli.keeper import Desk
from backupkeeper.cli.output import as_json, every_path, tell
from backupkeeper.cli.progress import progress_for
from backupkeeper.report.exits import of_verdict
from backupkeeper.report.verdict import verdict_json, verdict_lines


@click.command("may-wipe", epilog="Example: backupkeeper may-wipe /media/me/CARD")
@click.argument("card")
@as_json
@every_path
@click.pass_obj
def may_wipe(desk: Desk, card: str, json: bool, every: bool) -> int:
    """Answer: may this card be wiped?

    Reads the whole card and asks for a proof of every file in every role. Nothing is wiped.

    Exit codes: 0 for yes and for nothing else; 1 for no; 2 or 3 if there is no answer.
    """
    with desk.open() as keeper:
        with progress_for(keeper, json=json) as progress:
            verdict = keeper.may_wipe(card, progress=progress)
        names, distinct = keeper.place_names(), keeper.distinct_devices()
    tell(
        lambda: verdict_json(verdict, names),
        lambda look: verdict_lines(verdict, names, look, distinct_devices=distinct),
        json=json,
        every=every,
    )
    return of_verdict(verdict)
