"""Why a mail was not taken, and what to look at: plain words for each hitch, step by step."""

from collections.abc import Sequence
from datetime import datetime
from types import MappingProxyType
from typing import Final

from backupkeeper.config import MailSettings, Security
from backupkeeper.core.mailing import Hitch, Letter, Sending, Stage
from backupkeeper.report.words import age, plural, told

STAGES: Final = MappingProxyType(
    {
        Stage.PASSWORD: "Password found",
        Stage.NAME: "Server's name found",
        Stage.CONNECT: "Connected",
        Stage.TLS: "Line encrypted",
        Stage.SIGN_IN: "Signed in",
        Stage.HAND_OVER: "Taken by the server",
    }
)
_SENTENCES: Final = MappingProxyType(
    {
        Hitch.NO_PASSWORD: "The password could not be had.",
        Hitch.NAME_NOT_FOUND: "There is no server called {host}, or no line to ask for it.",
        Hitch.PORT_CLOSED: "{host} lets nobody in at port {port}.",
        Hitch.NO_ANSWER: "{host} gave no answer at port {port}.",
        Hitch.NO_MAIL_SERVER: "What answers at {host}, port {port}, does not talk like a mail server.",
        Hitch.NO_STARTTLS: "{host} does not offer to encrypt the line at port {port}. Nothing was sent.",
        Hitch.NOT_TRUSTED: "The certificate of {host} is not trusted. Nothing was sent.",
        Hitch.NO_TLS: "No encrypted line could be agreed on with {host}, port {port}. Nothing was sent.",
        Hitch.NO_SIGN_IN: "{host} offers no way of signing in that this program knows.",
        Hitch.WRONG_PASSWORD: "{host} does not accept this name and password.",
        Hitch.MUST_SIGN_IN: "{host} wants you to sign in first.",
        Hitch.SENDER_REFUSED: "{host} takes no mail from {sender}.",
        Hitch.RECIPIENT_REFUSED: "{host} takes no mail for {to}.",
        Hitch.TOO_LARGE: "The mail is too large for {host}.",
        Hitch.REFUSED: "{host} refused the mail.",
        Hitch.LATER: "{host} can't take it now and asks to try again later.",
        Hitch.BROKEN: "The connection to {host} broke before the mail was there.",
        Hitch.UNCERTAIN: (
            "The connection to {host} broke when all was sent, before the answer: whether it was taken "
            "is not known."
        ),
    }
)
_ADVICE: Final = MappingProxyType(
    {
        Hitch.NO_PASSWORD: "Look at [mail] password_from.",
        Hitch.NAME_NOT_FOUND: "Look at [mail] host, and whether this machine has a line.",
        Hitch.PORT_CLOSED: (
            'Look at [mail] port: with security = "starttls" it is mostly 587, with "tls" mostly 465. '
            "Or the server is down."
        ),
        Hitch.NO_ANSWER: (
            "Look whether this machine has a line, whether a firewall is between, and whether [mail] port "
            'and security belong together (587 with "starttls", 465 with "tls").'
        ),
        Hitch.NO_MAIL_SERVER: "Look at [mail] host and port.",
        Hitch.NO_STARTTLS: (
            'Try security = "tls" with port 465. If it worked before, somebody may stand between: don\'t '
            "send your password over this line."
        ),
        Hitch.NOT_TRUSTED: (
            "Look whether [mail] host is the name that stands in the certificate, and at this machine's "
            "date. In a network with a login page, log in first. If it worked before, somebody may stand "
            "between."
        ),
        Hitch.NO_TLS: 'Look whether port and security belong together: 587 with "starttls", 465 with "tls".',
        Hitch.NO_SIGN_IN: "Ask whoever runs the server for a password for mail programs.",
        Hitch.WRONG_PASSWORD: (
            "Look at [mail] user and at the password. Many services want a password of its own for each "
            "program."
        ),
        Hitch.MUST_SIGN_IN: "Set [mail] user and password_from.",
        Hitch.SENDER_REFUSED: "Set [mail] sender to the address that belongs to the name you sign in with.",
        Hitch.RECIPIENT_REFUSED: "Look at [mail] to; mostly servers send on only for those who sign in.",
        Hitch.TOO_LARGE: "No mail of this program is larger than 1 MB: the server's limit is too small.",
        Hitch.REFUSED: "What it says may tell why.",
        Hitch.LATER: "Mostly that is over by itself.",
        Hitch.BROKEN: "Try again.",
        Hitch.UNCERTAIN: "Look into your mailbox.",
    }
)


def waiting_words(letters: Sequence[Letter], now: datetime) -> tuple[str, ...]:
    """A sentence on mails that were tried and wait; none: nothing is said."""
    late = [one for one in letters if one.tries]
    if not late:
        return ()
    oldest = min(late, key=lambda one: one.made_at)
    verb = "waits" if len(late) == 1 else "wait"
    made = age(oldest.made_at, now)
    return (f"{plural(len(late), 'mail')} {verb} to be sent, made {made}: {told(oldest.said)}",)


def why_not(sending: Sending, settings: MailSettings) -> str:
    """One sentence on why it was not taken, with what the server or the system said."""
    if sending.hitch is None:
        return ""
    sentence = _SENTENCES[sending.hitch].format(
        host=settings.host,
        port=settings.port,
        to=settings.to,
        sender=settings.sender or settings.to,
    )
    return told(f"{sentence} ({sending.said})" if sending.said else sentence)


def advice(sending: Sending, settings: MailSettings) -> str:
    """What to look at; empty where all is well."""
    if sending.hitch is None:
        return ""
    if sending.hitch is Hitch.NO_TLS and settings.security is Security.STARTTLS:
        return "Ask whoever runs the server; TLS 1.2 or newer is wanted."
    return _ADVICE[sending.hitch]
