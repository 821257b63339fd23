"""What rolls lack in buckets, from how they stand: those that have a gap in the cloud.

Promise: what a bucket is to get is what ``core.needs.need_of`` says of every such roll. Where all files of
a roll are lacking there, that follows from its cover; else its facts are looked at. Left out is what a roll
without a gap still wants: a copy in its own tree of a file that another roll has off site (a shared
sidecar), for that is little and nothing hangs on it.
"""

from collections.abc import Iterator

from backupkeeper.actions.context import Context
from backupkeeper.core.deeds import RollNeed, Want
from backupkeeper.core.model import Place, PlaceKind, Role, Standing
from backupkeeper.core.needs import WANTING, Circumstances, need_of
from backupkeeper.core.outcomes import GapReport, RollCover
from backupkeeper.core.policy import copies_of


def needs_off_site(context: Context, report: GapReport) -> Iterator[RollNeed]:
    """What each roll wants in buckets; what it wants on drives is not told."""
    buckets = [
        place
        for place in report.places
        if place.kind is PlaceKind.BUCKET and place.standing is Standing.ACTIVE
    ]
    around = Circumstances(
        places={place.id: place for place in report.places},
        policy=context.config.policy,
        now=report.at,
        lead=context.config.proofs.lead,
    )
    for cover in report.with_gaps:
        if not buckets or Role.CLOUD not in cover.gaps:
            continue
        need = _of_all(cover, buckets) or _looked_at(context, cover, around)
        if need is not None:
            yield need


def _of_all(cover: RollCover, buckets: list[Place]) -> RollNeed | None:
    """Where every file lacks a copy in the cloud, every bucket wants them all."""
    counts = cover.roles[Role.CLOUD].counts
    lacking = sum(counts.get(state, 0) for state in WANTING)
    if not lacking or lacking < sum(counts.values()):
        return None
    want = Want(files=lacking, size_bytes=cover.roll.size_bytes, sources={})
    return RollNeed(
        roll=cover.roll,
        gaps=cover.gaps,
        fewest=cover.fewest,
        wants={place.id: want for place in buckets},
        at={},
        same_device=cover.same_device,
    )


def _looked_at(context: Context, cover: RollCover, around: Circumstances) -> RollNeed | None:
    roll = context.catalog.roll(cover.roll.id)
    facts = context.catalog.facts_of_roll(cover.roll.id)
    return need_of(roll, copies_of(facts, around.places, around.policy, around.now), around)
