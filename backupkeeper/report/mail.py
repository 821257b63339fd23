"""A mail out of what it says: both parts, small pictures, headers; never larger than ``MOST_BYTES``.

Promises:
1. The plain part and the HTML part are made from the same blocks.
2. Nothing that is said can forge a header, a line of another part or markup: subjects are printable
   and encoded (RFC 2047), parts are encoded, and what identifies the mail is made here.
3. The same mail is the same bytes: nothing of it is chance but the id that is handed in.
4. It is 7-bit throughout, with lines far below 998 bytes (RFC 5321 section 4.5.3.1.6).
"""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from email.header import Header
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime
from typing import Final

from backupkeeper.core.errors import BrokenPromiseError
from backupkeeper.core.mailing import MOST_BYTES, Answered, LetterKind
from backupkeeper.report.mail_html import embedded, html_part, pictures
from backupkeeper.report.mail_parts import Block, Draft, Tone, cut
from backupkeeper.report.mail_picture import png
from backupkeeper.report.mail_text import text_part
from backupkeeper.report.words import moment, told

LONGEST_SUBJECT: Final = 200
ADDRESS_BYTES: Final = 2_000
"""Room for who it is from and to."""
_ONE_LINE: Final = 60
_ROWS: Final = (40, 20, 10, 5, 2, 0)
_DOMAIN: Final = re.compile(r"[A-Za-z0-9.-]{1,200}")
_DAYS: Final = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_MOSTLY_OTHER: Final = 6
"""Where more than one byte of so many is not ASCII, base64 is shorter than quoted-printable."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Said:
    """What a mail says."""

    subject: str
    blocks: tuple[Block, ...]

    @property
    def text(self) -> str:
        """The plain part."""
        return text_part(self.blocks)

    @property
    def page(self) -> str:
        """The HTML part as a page that stands alone."""
        drawn = [png(bar) for bar in pictures(self.blocks)]
        return html_part(self.blocks, title=self.subject, source=embedded(drawn))


@dataclass(frozen=True, kw_only=True, slots=True)
class Envelope:
    """All of a mail that it does not say. ``message_id`` with its angle brackets."""

    message_id: str
    at: datetime
    kind: LetterKind
    answered: Answered = field(default_factory=Answered)


@dataclass(frozen=True, kw_only=True, slots=True)
class Maker:
    """Where and by what mails are made."""

    zone: tzinfo
    hostname: str
    version: str


def message_id(ident: str, sender: str) -> str:
    """The Message-ID of a letter (RFC 5322 section 3.6.4): its id, at the sender's domain."""
    domain = sender.rpartition("@")[2]
    return f"<{ident}@{domain if _DOMAIN.fullmatch(domain) else 'backupkeeper.invalid'}>"


def fitting(
    make: Callable[[int], Said], envelope: Envelope, *, most_bytes: int = MOST_BYTES
) -> tuple[Said, bytes]:
    """The mail with as many rows in its tables as fit.

    Args:
        make: makes what it says with so many rows a table.
        envelope: the rest.
        most_bytes: how large it may be.

    Raises:
        BrokenPromiseError: it does not fit even without any row (all texts are bounded).
    """
    for rows in _ROWS:
        said = make(rows)
        data = composed(said, envelope)
        if len(data) <= most_bytes - ADDRESS_BYTES:
            return said, data
    raise BrokenPromiseError("A mail can't be made small enough.")


def composed(said: Said, envelope: Envelope) -> bytes:
    """All of it but who it is from and to, lines ended by CR LF."""
    ident = envelope.message_id.strip("<>")
    mail = EmailMessage(policy=SMTP)
    mail["Date"] = format_datetime(envelope.at)
    _fill(mail, said.text, "plain")
    names = [f"bar{number}.{ident}" for number, _ in enumerate(pictures(said.blocks))]
    page = html_part(said.blocks, title=said.subject, source=lambda number: f"cid:{names[number]}")
    mail.make_alternative(boundary=f"=_both_{ident.partition('@')[0]}")
    shown = EmailMessage(policy=SMTP)
    _fill(shown, page, "html")
    if names:
        shown.make_related(boundary=f"=_page_{ident.partition('@')[0]}")
        for name, bar in zip(names, pictures(said.blocks), strict=True):
            shown.add_related(
                png(bar), maintype="image", subtype="png", cid=f"<{name}>", disposition="inline"
            )
    del shown["MIME-Version"]  # it stands at the top
    mail.attach(shown)
    head = f"Subject: {_encoded(said.subject)}\r\n".encode("ascii")
    return _identified(envelope) + head + mail.as_bytes(policy=SMTP)


def _encoded(subject: str) -> str:
    """As RFC 2047 has it. By hand too: the library leaves what looks encoded already as it is."""
    if subject.isascii() and "=?" not in subject and len(subject) <= _ONE_LINE:
        return subject
    return Header(subject, "utf-8", header_name="Subject").encode(linesep="\r\n")


def _identified(envelope: Envelope) -> bytes:
    """What tells this mail from others. By hand: long ones are not to be encoded or broken."""
    lines = [f"Message-ID: {envelope.message_id}"]
    if envelope.answered.in_reply_to:
        lines.append(f"In-Reply-To: {envelope.answered.in_reply_to}")
        lines.append("References: " + "\r\n ".join(envelope.answered.references))
    lines.append("Auto-Submitted: auto-generated")  # RFC 3834: nobody's absence note answers it
    if envelope.kind is LetterKind.URGENT:
        lines.append("Importance: high")  # RFC 2156
    return "".join(f"{line}\r\n" for line in lines).encode("ascii")


def _fill(part: EmailMessage, text: str, subtype: str) -> None:
    raw = text.encode("utf-8")
    is_other = sum(byte > 0x7E for byte in raw) * _MOSTLY_OTHER > len(raw)  # noqa: PLR2004 - the last of ASCII
    cte = "base64" if is_other else "quoted-printable"
    part.set_content(text, subtype=subtype, charset="utf-8", cte=cte)
    if not is_other:
        # Some mailboxes are one file, in which "From " at a line's beginning begins the next mail.
        payload = re.sub(r"^From ", "=46rom ", str(part.get_payload()), flags=re.MULTILINE)
        part.set_payload(payload)


def when(at: datetime, zone: tzinfo) -> str:
    """``Monday 2026-06-15 08:00``, by the person's clock."""
    return f"{_DAYS[at.astimezone(zone).weekday()]} {moment(at, zone)}"


def due_next(next_at: datetime | None, zone: tzinfo) -> str:
    """When the next weekly report is due, and what it means if it does not come."""
    if next_at is None:
        return (
            "No weekly report is due: no daemon runs here, or [report] weekly is empty. So silence says "
            "nothing."
        )
    return (
        f"The next weekly report is due on {when(next_at, zone)}. If it has not come a day later, don't "
        "take silence for good news: look at the machine with 'backupkeeper status'."
    )


def made_by(draft: Draft, maker: Maker, at: datetime) -> None:
    """The last lines of every mail."""
    zone = at.astimezone(maker.zone).strftime("UTC%z")
    draft.say(
        f"Made on {when(at, maker.zone)} ({zone}) by backupkeeper {maker.version} on "
        f"{maker.hostname}. All times are local there.",
        Tone.QUIET,
    )


def instead_of(draft: Draft, made_at: datetime | None, zone: tzinfo) -> None:
    """A word on one that this one replaces, if there is one."""
    if made_at is not None:
        draft.say(
            f"An earlier mail about the same, of {when(made_at, zone)}, had not gone out when this one "
            "was made. This one replaces it.",
            Tone.QUIET,
        )


def said(subject: str, blocks: Sequence[Block]) -> Said:
    """What a mail says, with a subject of a sensible length."""
    return Said(subject=told(cut(subject, LONGEST_SUBJECT)), blocks=tuple(blocks))
