"""``may-wipe``: the verdict on a card, and a receipt of it."""

import click

from backupkeeper.cli.output import write_error
from backupkeeper.cli.session import Session, all_option, json_option
from backupkeeper.report import exits
from backupkeeper.report.receipt_words import written_json, written_lines
from backupkeeper.report.verdict import verdict_json, verdict_lines


@click.command("may-wipe", short_help="The verdict on a card: yes or no, and why.")
@click.argument("card")
@click.option(
    "--receipt",
    "receipt",
    metavar="FILE",
    help="Write what was found: FILE.html, a page with JSON beside it, or FILE.json. Never over a file.",
)
@all_option
@json_option
@click.pass_obj
def may_wipe(
    session: Session, card: str, receipt: str | None, all_paths: bool, as_json: bool
) -> int:
    """May CARD be wiped? Yes only if every byte on it is proven in every role.

    The whole card is read, now, and compared with what is proven elsewhere. The answer is about
    these bytes at this time; the card itself is left as it is.

    \b
    Example:
      backupkeeper may-wipe /media/me/CARD
      backupkeeper may-wipe /media/me/CARD --receipt "Wide Roll 01.html"

    Exits 0 for yes and for nothing else; with 3 where a receipt was asked for and not written.
    """
    with session.keeper() as keeper:
        with session.progress(as_json=as_json) as progress:
            if receipt is None:
                verdict, written = keeper.may_wipe(card, progress=progress), None
            else:
                written = keeper.may_wipe_with_receipt(card, receipt, progress=progress)
                verdict = written.verdict
        names = keeper.place_names()
        distinct = keeper.config.policy.distinct_devices
    if written is not None and written.trouble:
        write_error(written.trouble)
    return session.tell(
        exits.of_verdict(verdict, unwritten=written is not None and bool(written.trouble)),
        as_json=as_json,
        lines=lambda look: [
            *verdict_lines(verdict, names, look, distinct_devices=distinct),
            *([] if written is None else written_lines(written, look)),
        ],
        told=lambda: {
            **verdict_json(verdict, names),
            **({} if written is None else {"receipt": written_json(written)}),
        },
        all_paths=all_paths,
    )
