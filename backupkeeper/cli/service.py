"""``service``: the daemon started with the computer."""

from typing import TYPE_CHECKING

import click

from backupkeeper.cli.session import Session
from backupkeeper.report import exits
from backupkeeper.report.lines import Line, Look, Page, Tone

if TYPE_CHECKING:
    from backupkeeper.wiring.service import Services, Told

system_option = click.option(
    "--system", is_flag=True, help="Of the whole machine, not of you alone."
)


@click.group(short_help="Have the daemon started with the computer.")
def service() -> None:
    """Have the daemon started with the computer, by systemd (on macOS by launchd: never tried)."""


@service.command()
@system_option
@click.option("--user", default="", metavar="NAME", help="With --system: whose name it runs under.")
@click.option("--no-start", is_flag=True, help="Only write the file; say what to type.")
@click.pass_obj
def install(session: Session, system: bool, user: str, no_start: bool) -> int:
    """Write the service's file and start it."""
    services = _services(session)
    told = services.install(system=system, user=user, config=session.config, start=not no_start)
    return _tell(session, told)


@service.command()
@system_option
@click.pass_obj
def remove(session: Session, system: bool) -> int:
    """Stop the service and take its file away. Catalog, drives and configuration stay."""
    return _tell(session, _services(session).remove(system=system))


@service.command()
@system_option
@click.pass_obj
def status(session: Session, system: bool) -> int:
    """Whether the service is installed and runs. What it is at, says: backupkeeper status."""
    return _tell(session, _services(session).state(system=system))


def _services(session: Session) -> "Services":
    # Here, not above: other commands need none of it.
    from backupkeeper.wiring.service import Services  # noqa: PLC0415

    return Services(session.environ)


def _tell(session: Session, told: "Told") -> int:
    return session.tell(
        exits.WELL if told.done else exits.ATTENTION,
        as_json=False,
        lines=lambda look: _lines(told, look),
        told=dict,
    )


def _lines(told: "Told", look: Look) -> list[Line]:
    page = Page(look)
    for sentence in told.sentences:
        page.say(sentence)
    if told.to_type:
        page.say("To go on, type:", tone=Tone.HEAD)
        for command in told.to_type:
            page.line(f"  {command}")
    return page.lines
