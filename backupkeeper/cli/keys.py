"""``keys``: for whom a bucket's files are encrypted, and showing that one can decrypt them."""

import os
import sys

import click

from backupkeeper.cli.session import Session, json_option
from backupkeeper.core.errors import UsageError
from backupkeeper.report import exits
from backupkeeper.report.keys import LOST, keys_json, keys_lines


@click.command(short_help="For whom is encrypted, and whether the key is there.")
@click.option(
    "--kept",
    "files",
    metavar="FILE",
    multiple=True,
    help="A file with a key that you hold: it is tried. May be given for each key.",
)
@click.option(
    "--where",
    metavar="TEXT",
    help="Where it is kept besides, in your own words (else it is asked).",
)
@json_option
@click.pass_obj
def keys(session: Session, files: tuple[str, ...], where: str | None, as_json: bool) -> int:
    """Show for whom a bucket's files are encrypted; with --kept, show that you can decrypt them.

    Nothing is sent encrypted before that. A key is only read, never kept or copied: what is
    remembered is which recipient it opens, when, and where you say that it is kept.

    \b
    Examples:
      backupkeeper keys
      backupkeeper keys --kept /media/me/STICK/boatyard-key.txt

    Exits 0 if all is well, 1 if nobody has shown a key yet.
    """
    if where is not None and not files:
        raise UsageError("--where belongs to --kept.", advice="Name the file with the key too.")
    with session.keeper() as keeper:
        if files:
            named = [os.path.abspath(file) for file in files]
            keeper.try_keys(named)  # before anything is asked
            report = keeper.show_keys(named, where=_words(where))
        else:
            report = keeper.keys()
    return session.tell(
        exits.WELL if report.may_send else exits.ATTENTION,
        as_json=as_json,
        lines=lambda look: keys_lines(report, look),
        told=lambda: keys_json(report),
    )


def _words(where: str | None) -> str:
    """The person's own words; asked for at a terminal only."""
    if where is None:
        if not sys.stdin.isatty():
            raise UsageError(
                "Turning encryption on wants your word on where the key is kept.",
                advice='Add --where "…".',
            )
        click.echo(LOST, err=True)
        where = click.prompt("Where is the key kept, besides on this machine?", err=True)
    if not where.strip() or not where.isprintable():
        raise UsageError("Where the key is kept must be said in words, on one line.")
    return where.strip()
