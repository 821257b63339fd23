"""What still counts of a place that was lost or retired, and is back. Pure.

Promise: no proof from before it came back counts. Nobody knows where it was meanwhile, what was
written to it, or how it was treated; so each copy there is taken as written, and not proven, until
it is read again. That it was damaged stays known, and that it was mended since.
"""

from collections.abc import Sequence
from dataclasses import replace

from backupkeeper.core.model import Fact, Place, Way


def counting(facts: Sequence[Fact], place: Place) -> Sequence[Fact]:
    """The facts, with a proof from before the place came back taken as mere writing.

    Args:
        facts: about copies at this place.
        place: ``counts_from`` says when it came back (None: it was never away).
    """
    since = place.counts_from
    if since is None:
        return facts
    return [
        replace(fact, way=Way.WRITTEN) if fact.is_proof and fact.at < since else fact
        for fact in facts
    ]
