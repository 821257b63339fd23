"""``demo``: the whole job on made-up things."""

import click

from backupkeeper.cli.output import tell_plain


@click.command(epilog="Example: backupkeeper demo --dir demo-world")
@click.option(
    "--dir",
    "--directory",
    "directory",
    default="demo-world",
    show_default=True,
    metavar="DIR",
    help="A folder that is new, empty, or made by a former demo; it is kept.",
)
def demo(directory: str) -> int:
    """Play the whole job on made-up drives, cards and a bucket.

    Exit codes: 0 every step came out as it should; 3 one did not.
    """
    from backupkeeper.demo import run_demo  # noqa: PLC0415 - --help must stay quick

    return run_demo(directory, tell_plain)
