"""``run``, ``pause`` and ``resume``: the daemon and peace from it."""

import click

from backupkeeper.cli.session import Session, json_option
from backupkeeper.core.errors import OutOfReachError
from backupkeeper.report import exits
from backupkeeper.report.lines import Line

NOBODY = "No daemon runs on this catalog."


@click.command(short_help="Stay running and do all of it by itself.")
@click.pass_obj
def run(session: Session) -> int:
    """Stay running, and do by itself what the other commands do by hand.

    Drives and cards are noticed when they are plugged in. What a roll lacks is copied, uploaded and
    read again, the most urgent first. Nothing is written to a drive that is no place of yours, and
    never to a card. Ctrl-C ends it; what was under way is taken up the next time.

    To have it started with the computer: backupkeeper service install
    """
    return session.run_daemon(session.config, session.environ)


@click.command(short_help="Have the daemon begin nothing for a while.")
@click.option("--hours", type=click.FloatRange(min=0, min_open=True), help="For how long.")
@click.option("--uploads", is_flag=True, help="Only uploads; all else goes on.")
@json_option
@click.pass_obj
def pause(session: Session, hours: float | None, uploads: bool, as_json: bool) -> int:
    """Have the daemon begin nothing, and hold uploads and proofs, for some hours or until resumed.

    What is being offloaded or copied is finished. A pause ends when the daemon is started anew.
    """
    with session.keeper() as keeper:
        heard = keeper.pause(None if hours is None else hours * 3600, uploads=uploads)
    text = "Uploads are paused." if uploads else "Paused."
    text = f"{text} To go on, type: backupkeeper resume"
    return _tell(session, text, heard=heard, paused=True, as_json=as_json)


@click.command(short_help="Have the daemon go on.")
@click.option("--uploads", is_flag=True, help="Only with uploads; a pause of all stays.")
@json_option
@click.pass_obj
def resume(session: Session, uploads: bool, as_json: bool) -> int:
    """Have the daemon go on after a pause."""
    with session.keeper() as keeper:
        heard = keeper.resume(uploads=uploads)
    text = "Uploads may go on." if uploads else "It goes on."
    return _tell(session, text, heard=heard, paused=False, as_json=as_json)


def _tell(session: Session, text: str, *, heard: bool, paused: bool, as_json: bool) -> int:
    if not heard:
        raise OutOfReachError(NOBODY, advice="Start it with: backupkeeper run")
    return session.tell(
        exits.WELL,
        as_json=as_json,
        lines=lambda _look: [Line(text)],
        told=lambda: {"version": 1, "paused": paused},
    )
