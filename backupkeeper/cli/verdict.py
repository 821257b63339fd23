"""``may-wipe``: the verdict on a card."""

import click

from backupkeeper.cli.session import Session, all_option, json_option
from backupkeeper.report import exits
from backupkeeper.report.verdict import verdict_json, verdict_lines


@click.command("may-wipe", short_help="The verdict on a card: yes or no, and why.")
@click.argument("card")
@all_option
@json_option
@click.pass_obj
def may_wipe(session: Session, card: str, all_paths: bool, as_json: bool) -> int:
    """May CARD be wiped? Yes only if every byte on it is proven in every role.

    The whole card is read, now, and compared with what is proven elsewhere. The answer is about
    these bytes at this time; the card itself is left as it is.

    \b
    Example:
      backupkeeper may-wipe /media/me/CARD

    Exits 0 for yes and for nothing else.
    """
    with session.keeper() as keeper:
        with session.progress(as_json=as_json) as progress:
            verdict = keeper.may_wipe(card, progress=progress)
        names = keeper.place_names()
        distinct = keeper.config.policy.distinct_devices
    return session.tell(
        exits.of_verdict(verdict),
        as_json=as_json,
        lines=lambda look: verdict_lines(verdict, names, look, distinct_devices=distinct),
        told=lambda: verdict_json(verdict, names),
        all_paths=all_paths,
    )
