"""Old facts let go: the whole catalog looked through once, others writing meanwhile.

Promise: what ``core.thinning`` keeps is kept; stopped anywhere, what went before is gone, and all else there.
Only when it came to its end it counts as done.
"""

from backupkeeper.actions.context import Context
from backupkeeper.core.model import Event, EventKind
from backupkeeper.core.thinning import RUN
from backupkeeper.ports.catalog import Thinned
from backupkeeper.ports.progress import Progress


def let_go(context: Context, progress: Progress) -> Thinned:
    """Let go what may go now; how many copies were looked at, and facts went.

    Raises:
        CatalogError: the catalog can't be used, or another program wrote to it for too long.
    """
    progress.begin("Thinning old facts", total_bytes=0, total_files=0)
    copies = facts = 0
    for step in context.catalog.thin_facts(context.clock.now()):
        copies, facts = copies + step.copies, facts + step.facts
        progress.advance(0, files=step.copies)
    now = context.clock.now()
    context.catalog.note([Event(at=now, kind=EventKind.RAN, subject=RUN)])
    progress.end()
    return Thinned(copies=copies, facts=facts)
