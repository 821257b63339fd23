"""``report --html``: the report as one page, in a file or on standard output."""

from backupkeeper.cli.output import LocalZone, write_bytes_out
from backupkeeper.cli.session import Session
from backupkeeper.core.errors import UsageError
from backupkeeper.report import exits
from backupkeeper.report.lines import Line
from backupkeeper.report.overview_json import overview_json
from backupkeeper.report.overview_words import answer
from backupkeeper.report.words import shown, size


def report_as_page(session: Session, path: str, *, as_json: bool) -> int:
    """Write the page; the exit code is that of the answer.

    Args:
        session: this run.
        path: of the file; ``-``: standard output, and nothing else goes there.
        as_json: whether the answer is told as an object, beside a file.

    Raises:
        UsageError: it may not be written there.
    """
    # Here, not above: nothing else needs it, and pages need much.
    from backupkeeper.report.page import page  # noqa: PLC0415

    if path == "-" and as_json:
        raise UsageError("--json and --html - can't both have standard output.")
    with session.keeper() as keeper:
        found = keeper.overview()
        text = page(found, posters=keeper.pictures(found), zone=LocalZone())
        whole = keeper.write_report(path, text) if path != "-" else ""
    code = exits.of_overview(found)
    if not whole:
        write_bytes_out(text.encode())
        return code
    written = f"Written to {shown(whole)} ({size(len(text.encode()))})."
    return session.tell(
        code,
        as_json=as_json,
        lines=lambda _look: [Line(answer(found)), Line(written)],
        told=lambda: overview_json(found),
    )
