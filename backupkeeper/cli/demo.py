"""``demo``: the whole job on made-up things."""

import click

from backupkeeper.cli.output import write_out
from backupkeeper.report.words import told


@click.command(short_help="The whole job on made-up things.")
@click.option(
    "--dir",
    "--directory",
    "directory",
    default="demo-world",
    show_default=True,
    metavar="DIR",
    help="The folder to play in; it is kept.",
)
def demo(directory: str) -> int:
    """Play the whole job on made-up drives, cards and a bucket, in under a minute.

    \b
    Example:
      backupkeeper demo --dir demo-world
    """
    # Here, not above: other commands need none of it.
    from backupkeeper.demo import run_demo  # noqa: PLC0415

    return run_demo(directory, lambda line: write_out(f"{told(line)}\n"))
