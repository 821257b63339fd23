"""How sending a mail by hand went, for a person and for a program.

JSON of ``mail test``: ``{"version": 1, "to", "from", "host", "port", "security", "taken", "steps":
[{"step", "done", "detail"}], "hitch", "said", "advice"}``: the steps that were made and the one at which
it ended; ``hitch`` null where it was taken; ``said``: what the server or the system said.

JSON of ``report --mail``: ``{"version": 1, "subject", "to", "taken", "waits", "hitch", "said",
"advice", "daemon"}``: ``waits``: it lies in the outbox; ``daemon``: whether one runs that sends it later.
"""

from collections.abc import Mapping

from backupkeeper.config import MailSettings
from backupkeeper.core.mailing import DraftedMail, MailOutcome, Sending
from backupkeeper.report import exits
from backupkeeper.report.lines import Line, Look, Page, Tone
from backupkeeper.report.mail_words import STAGES, advice, why_not
from backupkeeper.report.words import shown, size, told

Json = Mapping[str, object]


def trial_json(sending: Sending, settings: MailSettings) -> Json:
    """``mail test`` as one object."""
    steps = [{"step": one.stage.value, "done": True, "detail": one.detail} for one in sending.done]
    if not sending.taken:
        steps.append({"step": sending.stage.value, "done": False, "detail": ""})
    return {
        "version": 1,
        "to": settings.to,
        "from": settings.sender or settings.to,
        "host": settings.host,
        "port": settings.port,
        "security": settings.security.value,
        "taken": sending.taken,
        "steps": steps,
        "hitch": None if sending.hitch is None else sending.hitch.value,
        "said": sending.said,
        "advice": advice(sending, settings),
    }


def trial_lines(sending: Sending, settings: MailSettings, look: Look) -> list[Line]:
    """``mail test`` on a terminal."""
    page = Page(look)
    for one in sending.done:
        detail = f" ({told(one.detail)})" if one.detail else ""
        page.say(f"{STAGES[one.stage]}{detail}", indent=2, first=f"{look.full} ")
    if sending.taken:
        page.say(
            f"{settings.host} took the mail for {settings.to} ({told(sending.said)}). Whether it arrives "
            "there, and not among unwanted mail, only a look into the mailbox shows.",
            tone=Tone.GOOD,
        )
        return page.lines
    page.say(f"{STAGES[sending.stage]}: no", indent=2, first=f"{look.open} ", tone=Tone.BAD)
    page.say(why_not(sending, settings), tone=Tone.BAD)
    page.say(advice(sending, settings))
    return page.lines


def sent_json(outcome: MailOutcome, settings: MailSettings) -> Json:
    """``report --mail`` as one object."""
    sending = outcome.sending
    failed = sending is not None and not sending.taken
    return {
        "version": 1,
        "subject": outcome.subject,
        "to": outcome.to,
        "taken": outcome.taken,
        "waits": not outcome.taken,
        "hitch": sending.hitch.value if sending is not None and sending.hitch is not None else None,
        "said": sending.said if sending is not None else "",
        "advice": advice(sending, settings) if sending is not None and failed else "",
        "daemon": outcome.has_daemon,
    }


def sent_lines(outcome: MailOutcome, settings: MailSettings, look: Look) -> list[Line]:
    """``report --mail`` on a terminal."""
    page = Page(look)
    subject = told(outcome.subject)
    if outcome.taken:
        page.say(f"{settings.host} took the mail for {outcome.to}: {subject}", tone=Tone.GOOD)
        return page.lines
    if outcome.sending is None:
        page.say(f"Another backupkeeper is sending mail just now; this one waits: {subject}")
    else:
        page.say(f"The mail was not taken, it waits: {subject}", tone=Tone.BAD)
        page.say(why_not(outcome.sending, settings), tone=Tone.BAD)
        page.say(advice(outcome.sending, settings))
    page.say(
        "The daemon tries again by itself."
        if outcome.has_daemon
        else "No daemon runs that would try again. It is sent once one runs (backupkeeper run), or type "
        "the command again: the newer mail takes its place.",
    )
    return page.lines


def drafted_json(drafted: DraftedMail, file: str, size_bytes: int) -> Json:
    """``report --mail --preview`` as one object: ``{"version": 1, "subject", "file", "bytes"}``."""
    return {"version": 1, "subject": drafted.subject, "file": file, "bytes": size_bytes}


def drafted_lines(drafted: DraftedMail, file: str, size_bytes: int, look: Look) -> list[Line]:
    """The same on a terminal."""
    page = Page(look)
    page.say(f"Subject: {told(drafted.subject)}")
    page.line(f"Written to {shown(file)} ({size(size_bytes)}); nothing was sent.")
    return page.lines


def exit_of(*, taken: bool) -> int:
    """0: the server took it; 3: it could not be handed over."""
    return exits.WELL if taken else exits.NOT_FINISHED
