"""``report --mail``: how everything stands, by mail, or written into a file to be looked at."""

from backupkeeper.cli.session import Session
from backupkeeper.core.errors import UsageError
from backupkeeper.report import exits
from backupkeeper.report.mail_sent import (
    drafted_json,
    drafted_lines,
    exit_of,
    sent_json,
    sent_lines,
)

ENDINGS = (".eml", ".html", ".txt")


def report_by_mail(session: Session, preview: str | None, *, as_json: bool) -> int:
    """Send it, or write it to ``preview``; the exit code."""
    if preview is not None:
        return _preview(session, preview, as_json=as_json)
    with session.keeper() as keeper:
        outcome = keeper.mail_report()
        settings = keeper.config.mail
    return session.tell(
        exits.of_overview(outcome.overview) if outcome.taken else exit_of(taken=False),
        as_json=as_json,
        lines=lambda look: sent_lines(outcome, settings, look),
        told=lambda: sent_json(outcome, settings),
    )


def _preview(session: Session, file: str, *, as_json: bool) -> int:
    if not file.endswith(ENDINGS):
        raise UsageError(
            "--preview wants a file that ends in .eml (the whole mail), .html or .txt (one part of it)."
        )
    with session.keeper() as keeper:
        drafted = keeper.draft_report()
        data = drafted.message
        if file.endswith(".html"):
            data = drafted.page.encode("utf-8")
        elif file.endswith(".txt"):
            data = drafted.text.encode("utf-8")
        whole = keeper.write_draft(file, data)
    return session.tell(
        exits.WELL,
        as_json=as_json,
        lines=lambda look: drafted_lines(drafted, whole, len(data), look),
        told=lambda: drafted_json(drafted, whole, len(data)),
    )
