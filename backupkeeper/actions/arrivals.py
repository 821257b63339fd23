"""When each bucket will have what it lacks, from what sending was measured at; and measuring it.

A sample is an event: subject ``line|<place>``, detail ``bytes seconds limit`` (bytes a second; 0: none).
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime, tzinfo
from typing import Final

from backupkeeper.actions.context import Context
from backupkeeper.core.arrival import HELD, RECENT, Arrival, Sample, arrival, expected
from backupkeeper.core.deeds import RollNeed
from backupkeeper.core.line import LineRule
from backupkeeper.core.model import (
    Event,
    EventKind,
    Place,
    PlaceId,
    PlaceKind,
    RollId,
    Standing,
)

LEAST_BYTES: Final = 1024 * 1024
"""A sample of less says nothing about a line."""
LEAST_S: Final = 2.0
_SUBJECT: Final = "line|"


def sample_event(
    place: PlaceId, byte_count: int, seconds: float, limit: float | None, now: datetime
) -> Event | None:
    """The event that remembers a measurement; None: it says too little."""
    if byte_count < LEAST_BYTES or seconds < LEAST_S:
        return None
    return Event(
        at=now,
        kind=EventKind.MOVED,
        subject=f"{_SUBJECT}{place}",
        detail=f"{byte_count} {seconds:.1f} {limit or 0:.0f}",
    )


def samples(context: Context, now: datetime) -> Mapping[PlaceId, list[Sample]]:
    """What was measured lately, by bucket."""
    found: dict[PlaceId, list[Sample]] = {}
    for event in context.catalog.events((EventKind.MOVED,), since=now - RECENT):
        if not event.subject.startswith(_SUBJECT):
            continue
        place = PlaceId(event.subject.removeprefix(_SUBJECT))
        try:
            count, seconds, limit = event.detail.split()
            one = Sample(
                at=event.at,
                byte_count=int(count),
                seconds=float(seconds),
                limit=float(limit) or None,
            )
        except ValueError:
            continue
        found.setdefault(place, []).append(one)
    return found


def arrivals(
    context: Context,
    needs: Iterable[RollNeed],
    tz: tzinfo,
    *,
    held: str = "",
    rule: LineRule | None = None,
    left: Mapping[tuple[PlaceId, RollId], int] | None = None,
) -> tuple[Arrival, ...]:
    """For each active bucket that lacks something: when it will have all.

    Args:
        context: the world.
        needs: what rolls lack.
        tz: where the person is.
        held: why no upload goes on now by something else than the hour; empty: nothing does that.
        rule: what holds of the line; None: what the person set.
        left: bytes that uploads under way have left of their roll, by bucket and roll.
    """
    now = context.clock.now()
    to_go = {place: _to_go(needs, place.id, left or {}) for place in _buckets(context)}
    lacking = {place: count for place, count in to_go.items() if count}
    known = samples(context, now) if lacking else {}
    rule = rule or context.config.upload.line
    return tuple(
        Arrival(place=place.name, to_go=count, why=HELD)
        if held
        else arrival(
            place.name,
            count,
            expected(known.get(place.id, ()), now),
            rule,
            now,
            tz,
            uploads=len(lacking),
        )
        for place, count in lacking.items()
    )


def _buckets(context: Context) -> list[Place]:
    return [
        place
        for place in context.catalog.places()
        if place.kind is PlaceKind.BUCKET and place.standing is Standing.ACTIVE
    ]


def _to_go(
    needs: Iterable[RollNeed], place: PlaceId, left: Mapping[tuple[PlaceId, RollId], int]
) -> int:
    wanted = [(need.roll.id, need.wants[place].size_bytes) for need in needs if place in need.wants]
    # A file counts as lacking until all of it is there; what is on its way of it is not to go.
    return sum(min(size, left.get((place, roll), size)) for roll, size in wanted)


@contextmanager
def measuring(
    context: Context, passed_bytes: Callable[[], int], limit: Callable[[], float | None]
) -> Iterator[None]:
    """Remember how fast a person's own upload went, where it is known to which bucket.

    Args:
        context: the world.
        passed_bytes: how many bytes have left so far.
        limit: bytes a second that may leave now.
    """
    clock = context.clock
    begun_s, before = clock.monotonic(), passed_bytes()
    try:
        yield
    finally:
        buckets = _buckets(context)
        if len(buckets) == 1:
            took_s, count = clock.monotonic() - begun_s, passed_bytes() - before
            event = sample_event(buckets[0].id, count, took_s, limit(), clock.now())
            context.catalog.note([event] if event is not None else [])
