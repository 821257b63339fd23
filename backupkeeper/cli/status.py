"""``status``: what is plugged in, what is being done, what waits for what."""

import sys
import threading

import click

from backupkeeper.cli.output import as_text, has_colours, is_dumb, is_terminal, write_out
from backupkeeper.cli.session import Session, json_option
from backupkeeper.core.status import Status
from backupkeeper.report import exits
from backupkeeper.report.status import needs_person, status_json, status_lines

SECONDS: float = 1.0
HOME = "\x1b[H\x1b[J"
"""ECMA-48: cursor to the upper left, then everything behind it erased."""


@click.command(short_help="What is plugged in, under way, and waiting for what.")
@click.option("--watch", is_flag=True, help="Again each second, until Ctrl-C.")
@json_option
@click.pass_obj
def status(session: Session, watch: bool, as_json: bool) -> int:
    """Show what is plugged in, what is being done and how far it is, and what waits for what.

    Exits 0 if the daemon runs and nothing needs you, 1 if something does.
    """
    with session.status() as tell:
        found = tell()
        while watch and _show(session, found, as_json=as_json):
            threading.Event().wait(SECONDS)
            found = tell()
    code = exits.ATTENTION if needs_person(found) else exits.WELL
    if watch:  # its reader left
        return code
    return session.tell(
        code,
        as_json=as_json,
        lines=lambda look: status_lines(found, look),
        told=lambda: status_json(found),
    )


def _show(session: Session, found: Status, *, as_json: bool) -> bool:
    """One of many: over the last one on a terminal, behind it elsewhere; whether anybody reads."""
    if as_json:
        from backupkeeper.report.objects import as_text as as_object  # noqa: PLC0415 - as in the session

        return write_out(as_object(status_json(found)))
    look = session.look()
    text = as_text(status_lines(found, look), colours=has_colours(sys.stdout, session.environ))
    moves = is_terminal(sys.stdout) and not is_dumb(session.environ)
    return write_out(f"{HOME}{text}" if moves else f"{text}\n", ascii_only=not look.unicode)
