"""``manifest export``: a roll's checksum list, for tools that are not ours."""

import click

from backupkeeper.cli.keeper import Desk
from backupkeeper.cli.output import tell_bytes
from backupkeeper.core.errors import UsageError, WriteError


@click.group(epilog='Example: backupkeeper manifest export "260612 Boatyard/Wide/Roll 01"')
def manifest() -> None:
    """Hand manifests to other tools."""


@manifest.command(
    epilog='Example: backupkeeper manifest export "260612 Boatyard/Wide/Roll 01" --format b3sums '
    "--output roll.b3"
)
@click.argument("roll")
@click.option(
    "--format",
    "form",
    type=click.Choice(["b3sums"]),
    default="b3sums",
    show_default=True,
    help="Lines of BLAKE3 hash and path.",
)
@click.option("--output", metavar="FILE", help="A new file; else standard output.")
@click.pass_obj
def export(desk: Desk, roll: str, form: str, output: str | None) -> int:
    """Write a roll's checksum list; check it from inside the roll's folder."""
    del form  # one form so far; click refuses any other
    with desk.open() as keeper:
        data = keeper.export_list(roll)
    if output is None:
        tell_bytes(data)
        return 0
    try:
        with open(output, "xb") as file:
            file.write(data)
    except FileExistsError as error:
        raise UsageError(
            f"{output} is there already and was left as it is.", advice="Name a new file."
        ) from error
    except (OSError, ValueError) as error:
        number = error.errno if isinstance(error, OSError) and error.errno else 0
        raise WriteError(output, number) from error
    return 0
