"""How everything stands, gathered: facts and events of the catalog, and a cheap look at what is here.

Promises:
1. No bucket is asked, no file is read. Drives are only looked at (marker, free bytes), and not even
   that where a daemon has told what is here.
2. What is worked out is worked out in ``core``; terminal, JSON, page and mail only put it in words.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from typing import Final

from backupkeeper.actions.arrivals import arrivals
from backupkeeper.actions.context import Context
from backupkeeper.actions.doubting import doubt_about
from backupkeeper.actions.drilled import drill_warnings, drills
from backupkeeper.actions.gaps import gaps
from backupkeeper.actions.health import advice_on_drives
from backupkeeper.actions.moved import moved_lately
from backupkeeper.actions.off_site import needs_off_site
from backupkeeper.actions.online import bare, online_drives
from backupkeeper.actions.place_check import checks
from backupkeeper.actions.room import free_on, note_room, remembered_room
from backupkeeper.actions.snapshots import kept_snapshots
from backupkeeper.cards.posters import is_pictured
from backupkeeper.core.arrival import Arrival
from backupkeeper.core.bucket_findings import BucketCheck
from backupkeeper.core.drilling import DrillResult, last_of
from backupkeeper.core.filling import Shot, filling, shoots_of
from backupkeeper.core.model import (
    Blake3,
    EventKind,
    Fact,
    Place,
    PlaceId,
    PlaceKind,
    RollHead,
    RollId,
    Standing,
)
from backupkeeper.core.outcomes import GapReport
from backupkeeper.core.overview import BucketLine, Clip, DriveLine, Filling, Harm, Overview
from backupkeeper.core.policy import ALL_ROLES
from backupkeeper.core.prices import BucketCost, Held, a_month, to_fetch_all
from backupkeeper.core.standing import (
    PlaceTally,
    Tallies,
    edges_of,
    harms,
    levels,
    proof_ages,
    scale_of,
)
from backupkeeper.core.status import Status
from backupkeeper.core.steps import all_steps, worry_of

YEAR: Final = timedelta(days=365)
CLIP_ROLLS: Final = 12
"""Of so many of the newest rolls the clips are shown."""
_NEVER_PROVEN: Final = PlaceTally()


@dataclass(frozen=True, kw_only=True, slots=True)
class _Looked:
    """What is here, and what is remembered of what is not."""

    here: frozenset[PlaceId]
    bare: frozenset[PlaceId]
    """Here without their marker."""
    room: Mapping[PlaceId, tuple[datetime, int]]
    seen: Mapping[PlaceId, datetime]


def overview(
    context: Context,
    *,
    tz: tzinfo,
    status: Status | None = None,
    next_at: datetime | None = None,
    notes: Sequence[str] = (),
) -> Overview:
    """Everything as it stands now.

    Args:
        context: the world.
        tz: where the person is.
        status: what a running daemon says; None: none runs, and drives are looked at here.
        next_at: when the next weekly report is due.
        notes: further sentences to be told quietly.
    """
    catalog, policy = context.catalog, context.config.policy
    report = gaps(context)
    now, roles = report.at, policy.roles or ALL_ROLES
    places = {place.id: place for place in report.places}
    heads = [cover.roll for cover in report.rolls]
    edges, scale = edges_of(policy), scale_of(heads, now)
    counted = catalog.tallies(now, [timedelta(days=one) for one in edges], scale)
    looked = _look(context, report.places, status, now)
    drives = _drives(context, report, counted, looked)
    found = _harms(context, heads, report.places, counted.changed, now)
    made = drills(context)
    last, due = last_of(made), " ".join(drill_warnings(context))
    steps = all_steps(
        report,
        roles,
        drives,
        found,
        missing=[(place, counted.missing.get(place.id, 0)) for place in report.places],
        drill_due=due,
        drill_was_wrong=last is not None and last.result is DrillResult.WRONG,
    )
    return Overview(
        at=now,
        gaps=report,
        worry=worry_of(report, roles, steps),
        steps=steps,
        drives=drives,
        buckets=_buckets(context, report, counted, _arrivals(context, report, status, tz)),
        harms=found,
        drills=tuple(reversed(made)),
        drill_due=due,
        proof_ages=proof_ages(counted.ages, places, roles, edges),
        levels=levels(scale, heads, counted.firsts, roles, now),
        status=status,
        next_at=next_at,
        clips=_clips(context, heads),
        notes=(*report.notes, *notes, *moved_lately(context, report.places)),
    )


def _look(
    context: Context, places: Sequence[Place], status: Status | None, now: datetime
) -> _Looked:
    seen = {
        PlaceId(subject): event.at
        for subject, event in context.catalog.latest(EventKind.SEEN).items()
    }
    room = remembered_room(context)
    if status is not None:
        # A daemon looked: by name, for that is what it tells.
        told = {(one.name, one.role): one for one in status.drives}
        by_id = {place.id: told.get((place.name, place.role.value)) for place in places}
        here = frozenset(place for place, one in by_id.items() if one is not None and one.point)
        without = frozenset(
            place for place, one in by_id.items() if one is not None and one.is_bare
        )
        free = {
            place: one.free_bytes
            for place, one in by_id.items()
            if one is not None and one.free_bytes is not None
        }
    else:
        drives = online_drives(context)[0]
        here = frozenset(drive.place.id for drive in drives)
        without = frozenset(one.id for one in places if _is_bare(context, one, here))
        free = free_on(context, drives)
        note_room(context, free)
    return _Looked(
        here=here,
        bare=without,
        room={**room, **{place: (now, count) for place, count in free.items()}},
        seen={**seen, **dict.fromkeys(here, now)},
    )


def _drives(
    context: Context, report: GapReport, counted: Tallies, looked: _Looked
) -> tuple[DriveLine, ...]:
    advice = advice_on_drives(context, report.at)
    snapshots = kept_snapshots(context)
    shoots = shoots_of(report.rolls, report.at)
    lines = []
    for place in report.places:
        if place.kind is PlaceKind.BUCKET:
            continue
        files, size = context.catalog.holdings(place.id)
        tally = counted.places.get(place.id, _NEVER_PROVEN)
        free_at, free = looked.room.get(place.id, (None, None))
        kept = snapshots.get(place.id)
        lines.append(
            DriveLine(
                place=place,
                is_here=place.id in looked.here,
                held_files=files,
                held_bytes=size,
                free_bytes=free,
                free_at=free_at,
                last_seen=max(
                    filter(None, (looked.seen.get(place.id), free_at, tally.last_proven)),
                    default=None,
                ),
                last_proven=tally.last_proven,
                oldest_proof=tally.oldest_proof,
                advice=advice.get(place.id),
                in_doubt=_is_active(place) and bool(doubt_about(context, place.id)),
                is_bare=place.id in looked.bare,
                snapshot_at=kept.at if kept is not None else None,
                filling=_filling(place, free, shoots, report.at),
            )
        )
    return tuple(lines)


def _is_bare(context: Context, place: Place, here: frozenset[PlaceId]) -> bool:
    if place.id in here or place.kind is PlaceKind.BUCKET or not _is_active(place):
        return False
    return bare(context, place) is not None


def _is_active(place: Place) -> bool:
    return place.standing is Standing.ACTIVE


def _filling(place: Place, free: int | None, shoots: tuple[Shot, ...], now: datetime) -> Filling:
    return filling(free, shoots, now) if _is_active(place) else Filling(why="it is not in use")


def _buckets(
    context: Context, report: GapReport, counted: Tallies, coming: Mapping[str, Arrival]
) -> tuple[BucketLine, ...]:
    snapshots, checked = kept_snapshots(context), checks(context)
    lines = []
    for place in report.places:
        if place.kind is not PlaceKind.BUCKET:
            continue
        files, size = context.catalog.holdings(place.id)
        tally = counted.places.get(place.id, _NEVER_PROVEN)
        kept = snapshots.get(place.id)
        lines.append(
            BucketLine(
                place=place,
                held_files=files,
                held_bytes=size,
                checked_at=checked.get(place.id, BucketCheck()).at,
                last_proven=tally.last_proven,
                oldest_proof=tally.oldest_proof,
                fetched_files=tally.fetched_files,
                cost=_cost(context, place, files, size),
                arrival=coming.get(place.name),
                snapshot_at=kept.at if kept is not None else None,
            )
        )
    return tuple(lines)


def _cost(context: Context, place: Place, files: int, size: int) -> BucketCost | None:
    """By the person's prices, from what facts show to be there; the bucket itself is not asked.

    None where there are no prices, or where several classes make the sum uncertain.
    """
    prices, upload = context.config.prices, context.config.upload
    if not prices.are_there or upload.classes:
        return None
    held = (Held(shelf=upload.storage_class, objects=files, size_bytes=size),)
    return BucketCost(
        name=place.name,
        held=held,
        currency=prices.currency,
        a_month=a_month(prices, held),
        to_fetch=to_fetch_all(prices, held),
    )


def _arrivals(
    context: Context, report: GapReport, status: Status | None, tz: tzinfo
) -> Mapping[str, Arrival]:
    """By the bucket's name: from the daemon, which knows what is under way, or from the facts."""
    if status is not None:
        return {one.place: one for one in status.arrivals}
    return {one.place: one for one in arrivals(context, list(needs_off_site(context, report)), tz)}


def _harms(
    context: Context,
    heads: Sequence[RollHead],
    places: Sequence[Place],
    changed: frozenset[Blake3],
    now: datetime,
) -> tuple[Harm, ...]:
    folders = frozenset(head.folder for head in heads)
    ever = datetime.min.replace(tzinfo=now.tzinfo) + YEAR
    edits: dict[PlaceId, set[Fact]] = {}
    for fact in context.catalog.facts_of(changed):
        edits.setdefault(fact.place, set()).add(fact)
    found: list[Harm] = []
    for place in filter(_is_active, places):
        facts = {*context.catalog.facts_around_harm(place.id, ever), *edits.get(place.id, ())}
        if facts:
            known = context.catalog.contents(fact.content for fact in facts)
            sizes = {name: one.size for name, one in known.items()}
            found += harms(facts, place.name, folders, sizes, since=now - YEAR, now=now)
    return tuple(sorted(found, key=lambda one: one.found_at, reverse=True))


def _clips(context: Context, heads: Sequence[RollHead]) -> Mapping[RollId, tuple[Clip, ...]]:
    """Of the newest rolls, the files that may be clips or sound, by their names."""
    newest = sorted(heads, key=lambda head: (head.sealed_at, head.id), reverse=True)
    return {
        head.id: tuple(
            Clip(path=file.path, content=file.content, size_bytes=file.size)
            for file in context.catalog.roll(head.id).files
            if is_pictured(file.path)
        )
        for head in newest[:CLIP_ROLLS]
    }
