"""``adopt``: footage that was there before this program becomes rolls, where it is."""

import click

from backupkeeper.cli.session import Session, all_option, json_option
from backupkeeper.core.adopting import AdoptWish
from backupkeeper.report import exits
from backupkeeper.report.adopt import adopt_json, adopt_lines


@click.command(short_help="Take in footage that was there before.")
@click.argument("place")
@click.argument("path", required=False, default="")
@click.option(
    "--layout",
    metavar="PATTERN",
    help='How your folders lie below PATH, such as "{shoot}/{source}/{roll}"; * stands for a folder of '
    "any name.",
)
@click.option("--shoot", metavar="NAME", help='The shoot, where no folder says it: "YYMMDD Name".')
@click.option("--source", metavar="NAME", help="The camera or recorder, where no folder says it.")
@click.option("--roll", metavar="NAME", help="The roll, where no folder says it.")
@click.option(
    "--rate",
    type=click.FloatRange(min=0, min_open=True),
    metavar="MB_PER_SECOND",
    help="How fast the drive reads, to say how long it takes, where it was not measured yet.",
)
@click.option("--dry-run", is_flag=True, help="Only say what would be taken in; nothing is read.")
@all_option
@json_option
@click.pass_obj
def adopt(
    session: Session,
    /,
    *,
    place: str,
    path: str,
    rate: float | None,
    all_paths: bool,
    as_json: bool,
    **wanted: str | None,
) -> int:
    """Take in what lies on a drive already, where it is. Nothing is moved, renamed or written over.

    First it looks, without reading: dated folders, ASC MHL histories and checksum lists say what is a
    roll, and each with its reason is told. Then every file is read twice, compared with all older
    hashes that lie there, and gets a manifest beside it. What can't be placed is listed, never guessed.
    Interrupted, the same command goes on.

    \b
    Examples:
      backupkeeper adopt Main --dry-run
      backupkeeper adopt Main "Old jobs" --layout "*/{shoot}/{roll}" --source Wide

    Exits 0 if all that was found is placed and right, 1 if something needs you, 3 if the drive is not
    here or went.
    """
    wish = AdoptWish(
        place=place,
        path=path,
        rate=None if rate is None else rate * 1e6,
        **wanted,  # type: ignore[arg-type]  # click's, by the names above
    )
    with session.keeper() as keeper, session.progress(as_json=as_json) as progress:
        outcome = keeper.adopt(wish, progress=progress)
    return session.tell(
        exits.of_adopt(outcome),
        as_json=as_json,
        lines=lambda look: adopt_lines(outcome, look),
        told=lambda: adopt_json(outcome),
        all_paths=all_paths,
    )
