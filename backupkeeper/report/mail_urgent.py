"""What an urgent mail says: the matter, when it was so, and when the next word comes."""

from collections.abc import Sequence
from datetime import datetime

from blake3 import blake3

from backupkeeper.core.matters import Matter
from backupkeeper.report.mail import Maker, Said, due_next, instead_of, made_by, said, when
from backupkeeper.report.mail_parts import LONGEST_TEXT, Draft, Lead, Tone, cut


def several(matters: Sequence[Matter]) -> Matter:
    """Many urgent matters as one, so that a bad day does not fill a mailbox. Each keeps its words.

    Args:
        matters: at least one.
    """
    ids = "\n".join(sorted(matter.id for matter in matters))
    return Matter(
        id=f"several|{blake3(ids.encode('utf-8', 'surrogateescape')).hexdigest()}",
        subject=f"{len(matters):,} urgent matters at once, the first: {matters[0].subject}",
        body="\n".join(
            f"{matter.subject}: {' '.join(matter.body.splitlines())}" for matter in matters
        ),
        urgent=True,
    )


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
    if len(lines) > max(1, most):
        draft.say(f"and {len(lines) - max(1, most):,} more: type backupkeeper status")
    told = f"This was so on {when(at, maker.zone)}."
    if not matter.once:
        told += " It is told again once a day as long as it is so."
    draft.say(told)
    instead_of(draft, replaces, maker.zone)
    draft.say(due_next(next_at, maker.zone))
    made_by(draft, maker, at)
    return said(matter.subject, draft.blocks)
