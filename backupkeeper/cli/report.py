"""``report``: how everything stands, in one answer and all that it rests on."""

import click

from backupkeeper.cli.report_mail import report_by_mail
from backupkeeper.cli.report_page import report_as_page
from backupkeeper.cli.session import Session, all_option, json_option
from backupkeeper.core.errors import UsageError
from backupkeeper.report import exits
from backupkeeper.report.overview import overview_lines
from backupkeeper.report.overview_json import overview_json


@click.command(short_help="How everything stands, and what to do.")
@click.option(
    "--html",
    "page",
    metavar="FILE",
    help="Write it as one page to FILE ('-': standard output); an earlier report is replaced.",
)
@click.option("--mail", "by_mail", is_flag=True, help="Send it to the address under [mail], now.")
@click.option(
    "--preview",
    metavar="FILE",
    help="With --mail: send nothing, write the mail to FILE (.eml, or one part: .html, .txt).",
)
@all_option
@json_option
@click.pass_obj
def report(
    session: Session,
    page: str | None,
    by_mail: bool,
    preview: str | None,
    all_paths: bool,
    as_json: bool,
) -> int:
    """Show how everything stands: the answer, what to do, every shoot, drive, bucket, damage, drill.

    Reads the catalog and looks which drives are here; asks no bucket.

    \b
    Example:
      backupkeeper report
      backupkeeper report --html report.html
      backupkeeper report --mail

    Exits 0 if all is well, 1 if something needs you; 3 if the mail was not taken (it waits then, and
    the daemon tries again).
    """
    if preview is not None and not by_mail:
        raise UsageError("--preview belongs to --mail.")
    if by_mail and page is not None:
        raise UsageError("--html and --mail are two things: ask for one after the other.")
    if page is not None:
        return report_as_page(session, page, as_json=as_json)
    if by_mail:
        return report_by_mail(session, preview, as_json=as_json)
    with session.keeper() as keeper:
        found = keeper.overview()
    return session.tell(
        exits.of_overview(found),
        as_json=as_json,
        lines=lambda look: overview_lines(found, look),
        told=lambda: overview_json(found),
        all_paths=all_paths,
    )
