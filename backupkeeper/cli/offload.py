"""``offload``: a card's files onto every drive that is here."""

import click

from backupkeeper.cli.keeper import Desk
from backupkeeper.cli.output import as_json, every_path, tell
from backupkeeper.cli.progress import progress_for
from backupkeeper.report.deeds import offload_lines
from backupkeeper.report.exits import of_offload
from backupkeeper.report.objects import offload_json


@click.command(
    epilog='Example: backupkeeper offload /media/me/CARD --shoot "260612 Boatyard" --source Wide'
)
@click.argument("card")
@click.option("--shoot", required=True, metavar="NAME", help='The dated job: "YYMMDD Name".')
@click.option("--source", required=True, metavar="NAME", help="The camera or recorder.")
@click.option("--roll", metavar="NAME", help="Name of the roll; else the next free number.")
@as_json
@every_path
@click.pass_obj
def offload(
    desk: Desk, card: str, shoot: str, source: str, roll: str | None, json: bool, every: bool
) -> int:
    """Copy a card to every drive that is here, in one read.

    Every copy is read back from its drive. The card is never written to. After Ctrl-C the same
    command goes on where it stopped.

    Exit codes: 0 every file of the card is proven on every drive that is here; 1 something needs
    attention; 3 not finished.
    """
    with desk.open() as keeper, progress_for(keeper, json=json) as progress:
        outcome = keeper.offload(card, shoot=shoot, source=source, roll=roll, progress=progress)
    tell(
        lambda: offload_json(outcome),
        lambda look: offload_lines(outcome, look),
        json=json,
        every=every,
    )
    return of_offload(outcome)
