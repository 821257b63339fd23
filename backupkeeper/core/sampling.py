"""Which objects are fetched back, though the store attested them: a sample of each year. Pure."""

from datetime import datetime

from backupkeeper.core.model import Copy, Way
from backupkeeper.core.scrub import sample_moment


def sample_due(copy: Copy, now: datetime, percent: float) -> bool:
    """Whether an object that the store attested is to be fetched back now, as one of the sample."""
    if copy.proof is None or copy.proof.way is not Way.ATTESTED:
        return False
    moment = sample_moment(copy.content, now, percent=percent)
    if moment is None or copy.proof.at >= moment:
        return False
    return copy.sampled_at is None or copy.sampled_at < moment
