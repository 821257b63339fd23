"""``offload``: a card onto the drives."""

import click

from backupkeeper.cli.posters import make_afterwards
from backupkeeper.cli.session import Session, all_option, json_option
from backupkeeper.report import exits
from backupkeeper.report.deeds import offload_lines
from backupkeeper.report.objects import offload_json


@click.command(short_help="A card onto every drive that is here, proven.")
@click.argument("card")
@click.option("--shoot", required=True, metavar="NAME", help='The dated job: "YYMMDD Name".')
@click.option(
    "--source", required=True, metavar="NAME", help="The camera or recorder: Wide, Drone."
)
@click.option("--roll", metavar="NAME", help='Name of the roll (else the next: "Roll 01").')
@all_option
@json_option
@click.pass_obj
def offload(
    session: Session,
    card: str,
    shoot: str,
    source: str,
    roll: str | None,
    all_paths: bool,
    as_json: bool,
) -> int:
    """Copy CARD to every drive that is here, and prove each copy.

    The card is read once and never written to. What was offloaded before is recognised and not
    copied again; what was interrupted is gone on with. Ctrl-C is fine. At the end, when all is told,
    a small picture of each new clip is made from a copy.

    \b
    Example:
      backupkeeper offload /media/me/CARD --shoot "260612 Boatyard" --source Wide

    Exits 0 if every file is proven on every drive that is here, 1 if something needs attention,
    3 if it could not finish.
    """
    with session.keeper() as keeper:
        with session.progress(as_json=as_json) as progress:
            outcome = keeper.offload(card, shoot=shoot, source=source, roll=roll, progress=progress)
        code = session.tell(
            exits.of_offload(outcome),
            as_json=as_json,
            lines=lambda look: offload_lines(outcome, look),
            told=lambda: offload_json(outcome),
            all_paths=all_paths,
        )
        make_afterwards(session, keeper, outcome, as_json=as_json)
    return code
