"""Where anything falls short: every sealed roll against every role.

Promise: how a roll stands is what ``core.policy.cover`` makes of all its facts. Files of
which only plain things are known are counted by the catalog (``core.sums``), which comes to the same.
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import datetime

from backupkeeper.actions.context import Context
from backupkeeper.actions.keys import readable_notes
from backupkeeper.actions.place_check import reminders
from backupkeeper.actions.snapshots import snapshot_notes
from backupkeeper.core.covers import FileGroup, Judge
from backupkeeper.core.model import Place, PlaceId, RollId
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


def covers_of(
    context: Context,
    places: Mapping[PlaceId, Place],
    now: datetime,
    groups: Mapping[RollId, Sequence[FileGroup]] | None = None,
) -> list[RollCover]:
    """Every sealed roll against all roles; ``groups``: the catalog's, where they are there already."""
    catalog, policy = context.catalog, context.config.policy
    judge = Judge(places, policy)
    groups = catalog.file_groups(policy, now) if groups is None else groups
    covers = []
    for head in catalog.rolls():
        plain = [group for group in groups.get(head.id, ()) if group.is_plain]
        odd = {path for group in groups.get(head.id, ()) for path in group.paths}
        if odd:
            plain += _looked_at(context, head.id, odd, judge, places, now)
        found = judge.quick_cover(head, plain)
        covers.append(found or cover(catalog.roll(head.id), {}, places, policy))
    return covers


def _looked_at(
    context: Context,
    roll: RollId,
    paths: Collection[str],
    judge: Judge,
    places: Mapping[PlaceId, Place],
    now: datetime,
) -> Iterator[FileGroup]:
    files = [file for file in context.catalog.roll(roll).files if file.path in paths]
    facts = context.catalog.facts_of(file.content for file in files)
    copies = copies_of(facts, places, context.config.policy, now)
    return (judge.looked_at(file, copies.get(file.content, ())) for file in files)
