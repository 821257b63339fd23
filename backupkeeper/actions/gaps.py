"""Where anything falls short: every sealed roll against every role.

Promise: how a roll stands is what ``core.policy.cover`` makes of all its facts. Where only plain things
are known of its copies they are counted by the catalog instead (``core.covers``), which comes to the same.
"""

from collections.abc import Mapping
from datetime import datetime

from backupkeeper.actions.context import Context
from backupkeeper.actions.keys import readable_notes
from backupkeeper.actions.place_check import reminders
from backupkeeper.actions.snapshots import snapshot_notes
from backupkeeper.core.covers import Judge
from backupkeeper.core.model import Place, PlaceId
from backupkeeper.core.outcomes import GapReport, RollCover
from backupkeeper.core.policy import ALL_ROLES, copies_of, cover, worst_first


def gaps(context: Context) -> GapReport:
    """All rolls, worst first. Reads the catalog only: no drive has to be here."""
    places = {place.id: place for place in context.catalog.places()}
    now, policy = context.clock.now(), context.config.policy
    covers = covers_of(context, places, now)
    return GapReport(
        at=now,
        rolls=worst_first(covers),
        unfinished=tuple(roll.folder for roll in context.catalog.open_rolls()),
        places=tuple(places.values()),
        notes=(*reminders(context), *readable_notes(context)),
        snapshots=snapshot_notes(context),
        may_share=len(policy.roles or ALL_ROLES) > 1 and not policy.distinct_devices,
    )


def covers_of(context: Context, places: Mapping[PlaceId, Place], now: datetime) -> list[RollCover]:
    """Every sealed roll against all roles."""
    catalog, policy = context.catalog, context.config.policy
    judge, groups = Judge(places, policy), catalog.file_groups(policy, now)
    covers = []
    for head in catalog.rolls():
        found = judge.quick_cover(head, groups.get(head.id, ()))
        if found is None:
            copies = copies_of(catalog.facts_of_roll(head.id), places, policy, now)
            found = cover(catalog.roll(head.id), copies, places, policy)
        covers.append(found)
    return covers
