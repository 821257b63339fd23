"""What an urgent mail says: the matter, when it was so, and when the next word comes."""

from datetime import datetime

from backupkeeper.core.matters import Matter
from backupkeeper.report.mail import Maker, Said, due_next, instead_of, made_by, said, when
from backupkeeper.report.mail_parts import LONGEST_TEXT, Draft, Lead, Tone, cut


def urgent(
    matter: Matter,
    at: datetime,
    maker: Maker,
    *,
    next_at: datetime | None,
    replaces: datetime | None = None,
    most: int = 40,
) -> Said:
    """What it says.

    Args:
        matter: what is urgent.
        at: when that is so.
        maker: where and by what it is made.
        next_at: when the next weekly report is due.
        replaces: when the one was made that it replaces.
        most: so many lines of the matter are told.
    """
    draft = Draft(most=most)
    draft.blocks.append(Lead(cut(matter.subject, LONGEST_TEXT), Tone.BAD))
    lines = matter.body.splitlines()
    for line in lines[: max(1, most)]:
        draft.say(line)
    told = f"This was so on {when(at, maker.zone)}."
    if not matter.once:
        told += " It is told again once a day as long as it is so."
    draft.say(told)
    instead_of(draft, replaces, maker.zone)
    draft.say(due_next(next_at, maker.zone))
    made_by(draft, maker, at)
    return said(matter.subject, draft.blocks)
