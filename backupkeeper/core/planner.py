"""What to do next: the wishes of ``core.wishes``, given devices. Pure.

Rules:
1. One device does one thing. A disk, a card, a bucket is a device; a device that rests on two disks
   is both; a deed uses those of all its places. Offloads and taking in share one more, the giving of
   names to rolls. A held upload leaves its drives alone, but its bucket stays its own.
2. The most urgent wish is served first. A less urgent one that is under way makes way only where that
   costs little: an upload is held (it goes on at the same byte), a proof or a look is stopped for any
   copy, and for a repair that needs two drives, and all but an offload or a verdict are stopped for
   an offload. Posters make way for everything but uploads.
3. What is being freed for a wish is kept for it.
4. A held upload goes on as soon as nobody uses, or waits for, its drives, and it may.
5. Nothing begins on a place that another program uses, in a pause, or before its time to wait is over.
6. What runs there already is stopped, or held, as far as it can be.
7. An upload that has been held for an hour, and can't go on now, is stopped for another one to its
   bucket that could.
8. A restore drill is in nobody's way; where the line is closed it is stopped, not held.
9. Equal views give equal plans.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

from backupkeeper.core.deeds import Deed, DeedKind, Plan, Running, View, Waiting
from backupkeeper.core.fitness import NAMING, shares
from backupkeeper.core.model import PlaceKind
from backupkeeper.core.wish import Wish
from backupkeeper.core.wishes import wishes

ROLL_NAMES: Final = "@names of rolls"
"""The device that giving names to rolls takes: no disk is called so."""
HELD_FOR: Final = timedelta(hours=1)
_STOPPED_FOR_AN_OFFLOAD: Final = frozenset(
    {
        *(DeedKind.MIRROR, DeedKind.REPAIR, DeedKind.ADOPT, DeedKind.LOOK, DeedKind.PROVE),
        *(DeedKind.POSTERS, DeedKind.DRILL, DeedKind.HEAR),
    }
)
_STOPPED_FOR_A_COPY: Final = frozenset({DeedKind.LOOK, DeedKind.PROVE})
_STOPPED_FOR_PEACE: Final = frozenset(
    {
        *(DeedKind.LOOK, DeedKind.PROVE, DeedKind.POSTERS, DeedKind.DRILL, DeedKind.HEAR),
        DeedKind.THIN,
    }
)
_ONLY_FETCHING: Final = frozenset({DeedKind.REPAIR, DeedKind.DRILL})
"""An upload goes on beside them."""


@dataclass(kw_only=True)
class _Allotment:
    """Which device is whose, while a plan is made."""

    view: View
    taken: dict[str, Running] = field(default_factory=dict)
    """By running deeds that are not held (also those that are being stopped)."""
    promised: dict[str, Deed] = field(default_factory=dict)
    """To deeds that begin now, or for which room is being made."""
    stop: set[str] = field(default_factory=set)
    hold: set[str] = field(default_factory=set)
    start: list[Deed] = field(default_factory=list)
    waiting: list[Waiting] = field(default_factory=list)


def plan(view: View) -> Plan:
    """What to begin, stop and hold now, and what waits for what."""
    found = wishes(view)
    allotment = _Allotment(view=view)
    for running in view.running:
        _settle(allotment, running)
    under_way = {running.deed.key for running in view.running}
    for wish in found.ready:
        if wish.deed.key not in under_way:
            _serve(allotment, wish)
    for running in view.running:
        if _should_be_held(allotment, running):
            allotment.hold.add(running.deed.key)
    moments: list[datetime | None] = [found.wake_at, view.hours.changes_at]
    return Plan(
        start=tuple(allotment.start),
        stop=tuple(sorted(allotment.stop)),
        hold=frozenset(allotment.hold),
        waiting=tuple(
            one for one in (*allotment.waiting, *found.waiting) if one.deed.key not in under_way
        ),
        wake_at=min((at for at in moments if at is not None and at > view.now), default=None),
    )


def devices(view: View, deed: Deed, *, is_held: bool = False) -> frozenset[str]:
    """Every device that a deed uses, disk by disk."""
    found: set[str] = {ROLL_NAMES} if deed.kind in NAMING else set()
    for place in deed.places:
        if place in view.places and view.places[place].kind is PlaceKind.BUCKET:
            if deed.kind not in _ONLY_FETCHING:
                found.add(place)
        elif place in view.drives and not is_held:
            found.update(view.drives[place].device.split("+"))
    for card in view.cards:
        if card.token == deed.card:
            found.update(card.device.split("+"))
    return frozenset(found)


def _settle(allotment: _Allotment, running: Running) -> None:
    """What a deed under way takes, and whether it must end or wait for its own sake."""
    view, deed = allotment.view, running.deed
    for device in devices(view, deed, is_held=running.held):
        allotment.taken[device] = running
    if running.stopping:
        return
    is_lent = any(place in view.lent for place in deed.places)
    stoppable = _STOPPED_FOR_AN_OFFLOAD if is_lent else _STOPPED_FOR_PEACE
    if (is_lent or _is_disturbing(view, deed)) and deed.kind in stoppable:
        allotment.stop.add(deed.key)
    if deed.kind is DeedKind.UPLOAD and deed.place in view.lent:
        allotment.stop.add(deed.key)  # held it would keep the bucket's lock
    if deed.kind is DeedKind.DRILL and not view.hours.may_upload:
        allotment.stop.add(deed.key)  # it goes on where it was


def _is_disturbing(view: View, deed: Deed) -> bool:
    """Whether the person wants the device, or peace."""
    disks = [view.drives[place].device for place in deed.places if place in view.drives]
    return view.paused or any(shares(busy, disk) for busy in view.busy for disk in disks)


def _should_be_held(allotment: _Allotment, running: Running) -> bool:
    view, deed = allotment.view, running.deed
    if deed.kind is not DeedKind.UPLOAD:
        return False
    if running.stopping or deed.key in allotment.stop:
        return running.held  # it ends as it waits: its drives stay left alone
    if _is_disturbing(view, deed) or not view.hours.may_upload or deed.source in view.lent:
        return True
    mine = devices(view, deed) - devices(view, deed, is_held=True)
    others = {device for device, owner in allotment.taken.items() if owner is not running}
    return not mine.isdisjoint(others | allotment.promised.keys())


def _serve(allotment: _Allotment, wish: Wish) -> None:
    """Give a wish its devices, or have them made free, or note whom it waits for."""
    deed = wish.deed
    wanted = devices(allotment.view, deed)
    promised = next(
        (allotment.promised[one] for one in sorted(wanted & allotment.promised.keys())), None
    )
    if promised is not None:
        _wait(allotment, deed, promised)
        return
    blockers = _distinct(
        allotment.taken[device] for device in sorted(wanted & allotment.taken.keys())
    )
    if not blockers:
        allotment.start.append(deed)
        allotment.promised.update(dict.fromkeys(wanted, deed))
        return
    _wait(allotment, deed, blockers[0].deed)
    if not all(_makes_way(allotment, deed, blocker) for blocker in blockers):
        return
    allotment.promised.update(dict.fromkeys(wanted, deed))
    for blocker in blockers:
        is_held = blocker.deed.kind is DeedKind.UPLOAD and deed.kind is not DeedKind.UPLOAD
        if not is_held and not blocker.stopping:
            allotment.stop.add(blocker.deed.key)


def _has_waited(view: View, upload: Running) -> bool:
    """Whether a held upload has kept its bucket from others for long enough."""
    since = upload.held_since
    return upload.held and since is not None and view.now - since >= HELD_FOR


def _makes_way(allotment: _Allotment, deed: Deed, blocker: Running) -> bool:
    kind = blocker.deed.kind
    if blocker.stopping:
        return True
    if kind is DeedKind.POSTERS:
        return deed.kind not in {DeedKind.POSTERS, DeedKind.UPLOAD}
    if kind is DeedKind.UPLOAD:
        if deed.kind is not DeedKind.UPLOAD:
            return True
        # One that waited only for its hours goes on by itself now.
        return _has_waited(allotment.view, blocker) and _should_be_held(allotment, blocker)
    if deed.kind is DeedKind.OFFLOAD:
        return kind in _STOPPED_FOR_AN_OFFLOAD
    return kind in _STOPPED_FOR_A_COPY and (
        deed.kind is DeedKind.MIRROR
        # Of a repair that needs two drives each one's next proof would take the half that came free.
        or (
            deed.kind is DeedKind.REPAIR
            and sum(one in allotment.view.drives for one in deed.places) > 1
        )
    )


def _wait(allotment: _Allotment, deed: Deed, other: Deed) -> None:
    what = other.folder or other.source_name or "something"
    why = f"Its devices are used for something more urgent or begun before: {other.kind} {what}."
    allotment.waiting.append(Waiting(deed=deed, why=why))


def _distinct(running: Iterable[Running]) -> list[Running]:
    seen: dict[str, Running] = {}
    for one in running:
        seen.setdefault(one.deed.key, one)
    return list(seen.values())
