"""Mail on real parts: where mails are made, and who sends them."""

from collections.abc import Callable, Mapping

from tzlocal import get_localzone

from backupkeeper.actions.context import Context
from backupkeeper.catalog.outbox import open_outbox
from backupkeeper.daemon.mailbox import Mailbox
from backupkeeper.daemon.notes import Log
from backupkeeper.daemon.posting import Postman, Sender, Tried
from backupkeeper.daemon.smtp import SmtpMailer
from backupkeeper.ports.outbox import Outbox
from backupkeeper.report.mail import Maker
from backupkeeper.report.mail_words import why_not
from backupkeeper.system.password import read_password

Password = Callable[[], str]


def password_of(context: Context, environ: Mapping[str, str], config_path: str | None) -> Password:
    """What reads the password, each time that it is wanted."""
    mail = context.config.mail
    return lambda: read_password(
        mail.password_from, user=mail.user, environ=environ, config=config_path or "config.toml"
    )


def maker_of(context: Context) -> Maker:
    """Where and by what mails are made here."""
    return Maker(zone=get_localzone(), hostname=context.hostname, version=context.version)


def mailbox_of(context: Context) -> Mailbox | None:
    """Where mails are made; None: there are none."""
    mail = context.config.mail
    if not mail.to:
        return None
    return Mailbox(
        catalog=context.catalog,
        clock=context.clock,
        entropy=context.entropy,
        maker=maker_of(context),
        sender=mail.sender or mail.to,
    )


def sender_of(context: Context, outbox: Outbox, password: Password) -> Sender:
    """What sends the letters of an outbox."""
    mail = context.config.mail
    return Sender(
        outbox=outbox,
        mailer=SmtpMailer(mail, password=password, hostname=context.hostname),
        locks=context.locks,
        clock=context.clock,
        why=lambda sending: why_not(sending, mail),
    )


def postman_of(context: Context, password: Password, log: Log) -> Postman | None:
    """The daemon's postman, not yet begun; None: there are no mails."""
    mail = context.config.mail
    if not mail.to:
        return None

    def tell(one: Tried) -> None:
        if one.sending.taken:
            log.note(f"Mail: {one.letter.subject}: taken by {mail.host}.")
            return
        why = why_not(one.sending, mail)
        if one.refused:
            log.note(f"Mail: {one.letter.subject}: given up. {why}", urgent=True)
        elif why != one.letter.said:  # the same again and again is no news
            log.note(f"Mail: {one.letter.subject}: it waits. {why}", urgent=True)

    return Postman(
        lambda: open_outbox(context.config.catalog.path, clock=context.clock),
        lambda outbox: sender_of(context, outbox, password),
        tell=tell,
        trouble=lambda said: log.note(said, urgent=True),
        clock=context.clock,
    )
