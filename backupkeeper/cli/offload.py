"""``offload``: a card's files onto every drive that is here."""

import click

from backupkeeper.cli.keeper import Desk
from backupkeeper.cli.output import as_json, tell
from backupkeeper.cli.progress import progress_for
from backupkeeper.report.offload import all_proven, offload_lines, offload_object

ATTENTION, NOT_FINISHED = 1, 3


@click.command(
    epilog='Example: backupkeeper offload /media/me/CARD --shoot "260612 Boatyard" --source Wide'
)
@click.argument("card")
@click.option("--shoot", required=True, metavar="NAME", help='The dated job: "YYMMDD Name".')
@click.option("--source", required=True, metavar="NAME", help="The camera or recorder.")
@click.option("--roll", metavar="NAME", help="Name of the roll; else the next free number.")
@as_json
@click.pass_obj
def offload(desk: Desk, card: str, shoot: str, source: str, roll: str | None, json: bool) -> int:
    """Copy a card to every drive that is here, in one read.

    Every copy is read back from its drive. The card is never written to. After Ctrl-C the same
    command goes on where it stopped.

    Exit codes: 0 every file of the card is proven on every drive that is here; 1 something needs
    attention; 3 not finished.
    """
    with desk.open() as keeper, progress_for(keeper, json=json) as progress:
        outcome = keeper.offload(card, shoot=shoot, source=source, roll=roll, progress=progress)
    tell(json, lambda: offload_object(outcome), lambda look: offload_lines(outcome, look))
    if not outcome.sealed:
        return NOT_FINISHED
    return 0 if all_proven(outcome) else ATTENTION
