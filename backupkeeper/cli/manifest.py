"""``manifest export``: a roll's digests for other tools."""

import click

from backupkeeper.cli.output import write_bytes_out
from backupkeeper.cli.session import Session
from backupkeeper.core.errors import UsageError, WriteError
from backupkeeper.report import exits


@click.group()
def manifest() -> None:
    """The digests of a roll, for other tools."""


@manifest.command()
@click.argument("roll")
@click.option(
    "--format",
    "form",
    required=True,
    type=click.Choice(["b3sums"]),
    help="b3sums: BLAKE3, in the common HASH  PATH form.",
)
@click.option("--output", metavar="FILE", help="Write to a new file instead of standard output.")
@click.pass_obj
def export(session: Session, roll: str, form: str, output: str | None) -> int:  # noqa: ARG001 - one form so far; click checks it
    """Write the checksum list of ROLL, to be checked from inside the roll's folder.

    \b
    Example:
      backupkeeper manifest export "260612 Boatyard/Wide/Roll 01" --format b3sums > roll.b3
    """
    with session.keeper() as keeper:
        data = keeper.export_list(roll)
    if output is None:
        write_bytes_out(data)
        return exits.WELL
    try:
        with open(output, "xb") as file:
            file.write(data)
    except FileExistsError:
        raise UsageError(
            f"{output} is there already and was left as it is.", advice="Name a new file."
        ) from None
    except OSError as error:
        raise WriteError(output, error.errno or 0) from error
    return exits.WELL
