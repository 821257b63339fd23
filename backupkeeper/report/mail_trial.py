"""What the mail says that is only sent to see whether mails arrive."""

from datetime import datetime

from backupkeeper.report.mail import Maker, Said, due_next, made_by, said
from backupkeeper.report.mail_parts import Draft, Lead, Tone

SUBJECT = "A trial: mails of backupkeeper arrive here"


def trial(at: datetime, maker: Maker, *, next_at: datetime | None) -> Said:
    """What it says.

    Args:
        at: the present time.
        maker: where and by what it is made.
        next_at: when the next weekly report is due.
    """
    draft = Draft(most=0)
    draft.blocks.append(Lead("Mails of backupkeeper arrive here.", Tone.GOOD))
    draft.say(
        "Somebody typed 'backupkeeper mail test'. What is urgent comes at once; how everything stands "
        "comes once a week. See that neither lands among unwanted mail."
    )
    draft.say(due_next(next_at, maker.zone))
    made_by(draft, maker, at)
    return said(SUBJECT, draft.blocks)
