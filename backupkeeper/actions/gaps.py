"""Where anything falls short: every sealed roll against every role."""

from backupkeeper.actions.context import Context
from backupkeeper.actions.keys import readable_notes
from backupkeeper.actions.place_check import reminders
from backupkeeper.actions.snapshots import snapshot_notes
from backupkeeper.core.outcomes import GapReport
from backupkeeper.core.policy import copies_of, cover, worst_first


def gaps(context: Context) -> GapReport:
    """All rolls, worst first. Reads the catalog only: no drive has to be here."""
    places = {place.id: place for place in context.catalog.places()}
    policy = context.config.policy
    now = context.clock.now()
    covers = []
    for head in context.catalog.rolls():
        roll = context.catalog.roll(head.id)
        copies = copies_of(context.catalog.facts_of_roll(head.id), places, policy, now)
        covers.append(cover(roll, copies, places, policy))
    return GapReport(
        at=now,
        rolls=worst_first(covers),
        unfinished=tuple(roll.folder for roll in context.catalog.open_rolls()),
        places=tuple(places.values()),
        notes=(*reminders(context), *readable_notes(context)),
        snapshots=snapshot_notes(context),
    )
