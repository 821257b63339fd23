"""What the daemon remembers over a restart: events in the catalog, read in the forms that it needs.

Nothing else survives, so nothing can be out of step with it.
"""

import json
from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from typing import Final

from backupkeeper.actions.arrivals import sample_event
from backupkeeper.actions.uploads_begun import forget_of_closed
from backupkeeper.core.deeds import DriveHere, Pictureless, Setback
from backupkeeper.core.hearing import unheard
from backupkeeper.core.model import Event, EventKind, Place, PlaceId
from backupkeeper.core.patience import setbacks
from backupkeeper.core.presence import ALIVE
from backupkeeper.core.thinning import EVERY, RUN
from backupkeeper.daemon.aftermath import Aftermath
from backupkeeper.ports.catalog import Catalog
from backupkeeper.ports.clock import Clock

LOOK_BACK: Final = timedelta(days=3)
"""How far back nights, absences and failures matter."""
KEPT: Final = timedelta(days=90)
ALIVE_EVERY: Final = timedelta(minutes=10)
AWAY_AFTER: Final = timedelta(minutes=3)
"""A tick comes each minute: when none came for so long, the machine slept."""
_THINNED: Final = (
    EventKind.SEEN,
    EventKind.MOVED,
    EventKind.PROOF_TIME,
    EventKind.WORKED,
    EventKind.FAILED,
    EventKind.AWAY,
    EventKind.ROOM,
    EventKind.POSTERS,
    EventKind.HEARD,
    EventKind.FOUND_AGAIN,
)


class Memory:
    """Events of one catalog, as the loop's thread sees them.

    ``chance`` is a random id: it spreads the times at which what failed is tried again.
    """

    def __init__(self, catalog: Catalog, clock: Clock, chance: str = "") -> None:
        self._catalog = catalog
        self._chance = chance
        self._clock = clock
        self._setbacks: dict[str, Setback] | None = None
        self._last_tick: datetime | None = None
        self._last_alive: datetime | None = None

    def note(self, kind: EventKind, subject: str, detail: str = "") -> None:
        """Remember one thing, durably."""
        self._catalog.note([Event(at=self._clock.now(), kind=kind, subject=subject, detail=detail)])
        self._setbacks = None

    def measured(
        self, found: Iterable[tuple[PlaceId, int, float, float | None]], now: datetime
    ) -> None:
        """How fast uploads went: bucket, bytes, seconds, limit."""
        events = [sample_event(*one, now) for one in found]
        if known := [event for event in events if event is not None]:
            self._catalog.note(known)

    def remember(self, after: Aftermath, now: datetime) -> None:
        """The end of a deed: in one step, so that no half of it is remembered."""
        had = self.setbacks(now)
        noted = [
            *((EventKind.FAILED, subject, said) for subject, said in after.failed),
            *((EventKind.WORKED, subject, "") for subject in after.worked if subject in had),
            *after.events,
        ]
        self._catalog.note(
            Event(at=now, kind=kind, subject=subject, detail=detail)
            for kind, subject, detail in noted
        )
        self._setbacks = None

    # -- failures

    def setbacks(self, now: datetime) -> Mapping[str, Setback]:
        """Runs of failures that are still going on, by subject."""
        if self._setbacks is None:
            kinds = (EventKind.FAILED, EventKind.WORKED)
            known = self._catalog.events(kinds, since=now - LOOK_BACK)
            self._setbacks = setbacks(known, self._chance)
        return self._setbacks

    # -- being awake

    def tick(self, now: datetime) -> None:
        """The loop is awake now: notes a sleep that has just ended, and now and then that it is."""
        last = self._last_tick or self._last_known()
        if last is not None and now - last > AWAY_AFTER:
            self.note(EventKind.AWAY, "from", last.isoformat())
        self._last_tick = now
        if self._last_alive is None or abs(now - self._last_alive) >= ALIVE_EVERY:
            self._last_alive = now
            self.note(EventKind.SEEN, ALIVE)
            self._catalog.thin(now - KEPT, _THINNED)
            forget_of_closed(self._catalog, now)

    def _last_known(self) -> datetime | None:
        alive = self._catalog.latest(EventKind.SEEN).get(ALIVE)
        return alive.at if alive is not None else None

    def away(self, now: datetime) -> list[tuple[datetime, datetime]]:
        """When the daemon slept or did not run, in the last days."""
        spans = []
        for event in self._catalog.events((EventKind.AWAY,), since=now - LOOK_BACK):
            try:
                begun = datetime.fromisoformat(event.detail)
            except ValueError:
                continue
            if begun.tzinfo is not None:
                spans.append((begun, event.at))
        return spans

    # -- proofs, reports, telling

    def proof_time(self, now: datetime) -> list[tuple[datetime, float]]:
        """Seconds spent proving in the last days, of the drive on which most were."""
        spent: dict[str, list[tuple[datetime, float]]] = {}
        for event in self._catalog.events((EventKind.PROOF_TIME,), since=now - LOOK_BACK):
            try:
                spent.setdefault(event.subject, []).append((event.at, float(event.detail)))
            except ValueError:
                continue
        return max(spent.values(), key=lambda one: sum(s for _, s in one), default=[])

    def last_ran(self) -> dict[str, datetime]:
        """When each thing on the timetable was last done."""
        return {name: event.at for name, event in self._catalog.latest(EventKind.RAN).items()}

    def first_run(self, now: datetime) -> datetime:
        """When the daemon first ran on this catalog."""
        first = self.last_ran().get("first run")
        if first is None:
            self.note(EventKind.RAN, "first run")
            return now
        return first

    def thinning_due(self, now: datetime) -> bool:
        """Whether no facts were thinned for long, on a catalog that is no younger than that."""
        lately = self._catalog.events((EventKind.RAN,), since=now - EVERY, subject=RUN)
        if any(event.at <= now for event in lately):  # a wrong clock's date is none
            return False
        return not now - EVERY < self.first_run(now) <= now

    def told(self) -> Mapping[str, Event]:
        """When the person was last told of each matter."""
        return self._catalog.latest(EventKind.TOLD)

    def seen(self) -> dict[PlaceId, datetime]:
        """When each place was last here."""
        return {
            PlaceId(subject): event.at
            for subject, event in self._catalog.latest(EventKind.SEEN).items()
            if subject != ALIVE
        }

    def doubted(self, drives: Mapping[PlaceId, DriveHere]) -> frozenset[PlaceId]:
        """Drives that were put in doubt while they were mounted as they are now."""
        latest = self._catalog.latest(EventKind.DOUBTED)
        return frozenset(
            place
            for place, drive in drives.items()
            if place in latest and latest[place].detail == drive.token
        )

    # -- other machines

    def heard(self) -> Mapping[str, Event]:
        """When other machines' news were last looked for at each place, and what came of it."""
        return self._catalog.latest(EventKind.HEARD)

    def unheard(
        self, places: Iterable[Place], drives: Iterable[PlaceId], now: datetime, pause: timedelta
    ) -> tuple[PlaceId, ...]:
        """See ``core.hearing.unheard``; what a wrong clock dated ahead is no time of a look."""
        looks = {PlaceId(place): event.at for place, event in self.heard().items()}
        for place in [one for one, at in looks.items() if at > now]:
            before = [
                event.at
                for event in self._catalog.events(
                    (EventKind.HEARD,), since=now - LOOK_BACK, subject=place
                )
                if event.at <= now
            ]
            del looks[place]
            looks.update({place: before[-1]} if before else {})
        return unheard(places, drives, looks, self.seen(), now, pause)

    # -- posters

    def pictureless(self) -> tuple[Pictureless, ...]:
        """New rolls whose clips have no posters yet, the newest first."""
        latest = self._catalog.latest(EventKind.POSTERS).values()
        wanted = sorted((one for one in latest if one.detail), key=lambda one: one.at, reverse=True)
        found = []
        for event in wanted:
            try:
                places = json.loads(event.detail)
            except ValueError:
                continue
            if isinstance(places, list):
                ids = tuple(PlaceId(str(one)) for one in places)
                found.append(Pictureless(folder=event.subject, places=ids))
        return tuple(found)

    # -- cards

    def taken(self) -> dict[str, tuple[str, ...]]:
        """Cards (mounts of them) whose offload came to its end, with the rolls they lie in."""
        found: dict[str, tuple[str, ...]] = {}
        for token, event in self._catalog.latest(EventKind.CARD_TAKEN).items():
            try:
                folders = json.loads(event.detail)
            except ValueError:
                continue
            if isinstance(folders, list):
                found[token] = tuple(str(one) for one in folders)
        return found

    def judged(self) -> Mapping[str, Event]:
        """The last verdict on each card (mount of it)."""
        judged = self._catalog.latest(EventKind.CARD_JUDGED)
        return {token: event for token, event in judged.items() if event.detail}

    def card_gone(self, token: str) -> None:
        """A card was unmounted: what is there when it comes back is looked at anew.

        The system may give the next mount of the same disk the same number, and so the same token.
        """
        for kind in (EventKind.CARD_TAKEN, EventKind.CARD_JUDGED):
            if token in self._catalog.latest(kind):
                self.note(kind, token)

    def rates(self, now: datetime) -> dict[str, list[tuple[int, float]]]:
        """Bytes and seconds of what was moved in the last days, by place, oldest first."""
        moved: dict[str, list[tuple[int, float]]] = {}
        for event in self._catalog.events((EventKind.MOVED,), since=now - timedelta(days=14)):
            count, _, seconds = event.detail.partition(" ")
            try:
                moved.setdefault(event.subject, []).append((int(count), float(seconds)))
            except ValueError:
                continue
        return moved
