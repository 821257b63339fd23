"""``mail``: whether mails can be sent."""

import click

from backupkeeper.cli.session import Session, json_option
from backupkeeper.report.mail_sent import exit_of, trial_json, trial_lines


@click.group(short_help="Mails: whether they can be sent.")
def mail() -> None:
    """Mails: what is urgent at once, how everything stands once a week."""


@mail.command(short_help="Send a short mail now, and tell step by step how that goes.")
@json_option
@click.pass_obj
def test(session: Session, *, as_json: bool) -> int:
    """Send a short mail to the address under [mail], and tell step by step how that goes.

    It is sent at once, and never tried again. Where it can't be sent it says what to look at.

    Exits 0 if the server took it, 2 if there is no address, 3 if it could not be sent.
    """
    with session.keeper() as keeper:
        sending = keeper.test_mail()
        settings = keeper.config.mail
    return session.tell(
        exit_of(taken=sending.taken),
        as_json=as_json,
        lines=lambda look: trial_lines(sending, settings, look),
        told=lambda: trial_json(sending, settings),
    )
