"""What rolls lack in buckets, from how they stand: those that have a gap in the cloud.

Promise: what a bucket is to get is what ``core.needs.need_of`` says of every such roll. Where all files of
a roll are lacking there, that follows from its cover; else facts are looked at, but only about files that
the bucket may lack. Left out is what a roll without a gap still wants: a copy in its own tree of a file that
another roll has off site (a shared sidecar), for that is little and nothing hangs on it.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import datetime

from backupkeeper.actions.context import Context
from backupkeeper.core.deeds import RollNeed, Want
from backupkeeper.core.lacking import WANTING, wants
from backupkeeper.core.lying import Lying
from backupkeeper.core.model import (
    Blake3,
    Copy,
    Place,
    PlaceId,
    PlaceKind,
    Role,
    RollFile,
    Standing,
)
from backupkeeper.core.outcomes import GapReport, RollCover
from backupkeeper.core.policy import copies_of


def needs_off_site(context: Context, report: GapReport) -> Iterator[RollNeed]:
    """What each roll wants in buckets; what it wants on drives is not told."""
    buckets = [
        place
        for place in report.places
        if place.kind is PlaceKind.BUCKET and place.standing is Standing.ACTIVE
    ]
    places = {place.id: place for place in report.places}
    for cover in report.with_gaps:
        if not buckets or Role.CLOUD not in cover.gaps:
            continue
        need = _of_all(cover, buckets) or _looked_at(context, cover, buckets, places, report.at)
        if need is not None:
            yield need


def _of_all(cover: RollCover, buckets: list[Place]) -> RollNeed | None:
    """Where every file lacks a copy in the cloud, every bucket wants them all."""
    counts = cover.roles[Role.CLOUD].counts
    lacking = sum(counts.get(state, 0) for state in WANTING)
    if not lacking or lacking < sum(counts.values()):
        return None
    want = Want(files=lacking, size_bytes=cover.roll.size_bytes, sources={})
    return _need(cover, {place.id: want for place in buckets})


def _need(cover: RollCover, found: Mapping[PlaceId, Want]) -> RollNeed:
    return RollNeed(
        roll=cover.roll,
        gaps=cover.gaps,
        fewest=cover.fewest,
        wants=found,
        at={},
        same_device=cover.same_device,
    )


def _looked_at(
    context: Context,
    cover: RollCover,
    buckets: list[Place],
    places: Mapping[PlaceId, Place],
    now: datetime,
) -> RollNeed | None:
    catalog, policy = context.catalog, context.config.policy
    may_lack = (file for one in buckets for file in catalog.unsent(cover.roll.id, one.id))
    files = {file.path: file for file in may_lack}.values()
    if not files:
        return None
    copies = copies_of(catalog.facts_of(file.content for file in files), places, policy, now)
    own = _own(context, cover, copies, places)
    found = {}
    for place in buckets:
        sizes = [
            file.size
            for file in files
            if wants(own(file), copies.get(file.content, ()), place, places, policy)
        ]
        if sizes:
            found[place.id] = Want(files=len(sizes), size_bytes=sum(sizes), sources={})
    return _need(cover, found) if found else None


def _own(
    context: Context,
    cover: RollCover,
    copies: Mapping[Blake3, Sequence[Copy]],
    places: Mapping[PlaceId, Place],
) -> Callable[[RollFile], Sequence[Copy]]:
    """Which copies in the cloud are the roll's own; in a bucket they lie in its folder."""
    folder = f"{cover.roll.folder}/"
    if any(
        copy.path.startswith(folder) and places[copy.place].role is Role.CLOUD
        for every in copies.values()
        for copy in every
    ):
        return Lying(context.catalog.roll(cover.roll.id), copies, places).own
    return lambda _file: ()
