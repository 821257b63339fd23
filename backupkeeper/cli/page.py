"""``page``: where the live page is."""

import click

from backupkeeper.cli.session import Session, json_option
from backupkeeper.report import exits
from backupkeeper.report.lines import Line


@click.command(short_help="Where the daemon serves its live page; --open shows it.")
@click.option("--open", "is_to_open", is_flag=True, help="Open it in the browser.")
@json_option
@click.pass_obj
def page(session: Session, is_to_open: bool, as_json: bool) -> int:
    """Say where the daemon's live page is: the report, what goes on now, and "may I wipe this card?".

    The address is another one each time the daemon starts. Whoever has it and works on this machine
    can look, pause, and ask; nothing can be changed or deleted there. --open hands the browser a file
    of yours that leads there, so that no list of processes shows the address.

    Exits 0 if there is one, 2 if the configuration has it off ([page] enabled), 3 without a daemon.
    """
    with session.keeper() as keeper:
        address = keeper.open_page() if is_to_open else keeper.page_address()
    return session.tell(
        exits.WELL,
        as_json=as_json,
        lines=lambda _look: [Line(address)],
        told=lambda: {"version": 1, "address": address},
    )
