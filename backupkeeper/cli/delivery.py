"""``import``: what somebody delivered, checked and taken in."""

import click

from backupkeeper.cli.session import Session, all_option, json_option
from backupkeeper.core.errors import UsageError
from backupkeeper.report.delivering import delivery_json, delivery_lines, exit_of


@click.command(
    "import", short_help="A delivered folder, checked against its manifests and taken in."
)
@click.argument("folder", metavar="DIR")
@click.option("--shoot", metavar="NAME", help='The dated job: "YYMMDD Name".')
@click.option("--source", metavar="NAME", help="Where it is from: a camera, or who sent it.")
@click.option("--roll", metavar="NAME", help='Name of the roll (else the next: "Roll 01").')
@click.option("--dry-run", is_flag=True, help="Only read it and hold it against its manifests.")
@click.option("--as-it-is", is_flag=True, help="Take it in though its manifests say otherwise.")
@all_option
@json_option
@click.pass_obj
def bring_in(  # noqa: PLR0913 - click hands in each option by name
    session: Session,
    folder: str,
    *,
    shoot: str | None,
    source: str | None,
    roll: str | None,
    dry_run: bool,
    as_it_is: bool,
    all_paths: bool,
    as_json: bool,
) -> int:
    """Take in DIR, which somebody delivered with an ASC MHL history or as a bag, as one roll.

    It is read once and left as it is: every file is held against the delivered manifests while it is
    copied to every drive that is here, and each copy is proven. Where something differs, is missing or
    is not listed, no roll is sealed, and what differs is not copied. Nothing is ever fetched, and no
    link is followed. The delivered history goes on in the roll's own.

    \b
    Examples:
      backupkeeper import /media/me/DELIVERY --dry-run
      backupkeeper import /media/me/DELIVERY --shoot "260612 Boatyard" --source Drone

    Exits 0 if all of it is right, taken in and proven; 1 if something is not as its manifests say, or
    needs attention; 3 if it could not finish.
    """
    if not dry_run and (shoot is None or source is None):
        raise UsageError("Name the --shoot and the --source, or use --dry-run.")
    with session.keeper() as keeper, session.progress(as_json=as_json) as progress:
        if dry_run or shoot is None or source is None:
            outcome = keeper.check_delivery(folder, progress=progress)
        else:
            outcome = keeper.bring_in(
                folder, shoot=shoot, source=source, roll=roll, as_it_is=as_it_is, progress=progress
            )
    return session.tell(
        exit_of(outcome),
        as_json=as_json,
        lines=lambda look: delivery_lines(outcome, look),
        told=lambda: delivery_json(outcome),
        all_paths=all_paths,
    )
