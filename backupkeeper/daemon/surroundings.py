"""What is plugged in: one sight for each mount, looked at by workers, kept until it is gone.

Promises:
1. Nothing here touches a medium: the mount table is the kernel's, looks are a worker's.
2. A mount is looked at once; one that did not answer is asked again after ten minutes.
3. A place that is there twice (a clone to the very UUID) is not there at all, and that is told.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from backupkeeper.core.deeds import DriveHere
from backupkeeper.core.errors import ListingError
from backupkeeper.core.model import Place, PlaceId, PlaceKind, Standing
from backupkeeper.daemon.crew import Ended
from backupkeeper.daemon.errand import Failed
from backupkeeper.daemon.sights import Sight, SightKind, decode_sight
from backupkeeper.ports.mounts import Mount

LOOK_S: Final = 20.0
"""A mount that has not answered in this time is silent."""
ASK_AGAIN: Final = timedelta(minutes=10)
FOLDERS_AGAIN: Final = timedelta(minutes=5)
PREFIX: Final = "look at|"
_USEFUL: Final = frozenset({SightKind.PLACE, SightKind.CARD})

Send = Callable[[str, str], None]
"""(key, point): send a worker to look; its ``Ended`` comes back through ``heard``."""


class Surroundings:
    """Kept by the loop's own thread.

    Args:
        send: sends a worker to look at a point.
        end: ends such a worker.
        seconds: a stopwatch.
    """

    def __init__(
        self, send: Send, end: Callable[[str], None], seconds: Callable[[], float]
    ) -> None:
        self._send = send
        self._end = end
        self._seconds = seconds
        self._sights: dict[str, Sight] = {}
        self._asked: dict[str, tuple[str, float]] = {}
        """Key -> (token or place id, when)."""
        self._asked_at: dict[str, datetime] = {}
        self._mounts: dict[str, Mount] = {}
        self._active: Mapping[PlaceId, datetime | None] | None = None
        """Places that count, as of the last notice, and since when."""
        self._stale: set[str] = set()
        """Looks under way that began before the places changed: what they saw may be old."""

    @property
    def sights(self) -> Mapping[str, Sight]:
        """By token of the mount, or id of the place that is a folder."""
        return self._sights

    @property
    def tokens(self) -> tuple[str, ...]:
        """Mounts of places and cards that answered: what workers may rely on."""
        silent = {sight.token for sight in self._sights.values() if sight.kind is SightKind.SILENT}
        return tuple(
            sight.token
            for sight in self._sights.values()
            if sight.kind in _USEFUL and sight.token not in silent
        )

    def notice(self, mounts: Iterable[Mount], places: Iterable[Place], now: datetime) -> set[str]:
        """Take in the mount table; send out looks; return names of sights that are gone.

        Where a person said of a place that it is lost, or back, it is out, or looked at, at once.
        """
        places = tuple(places)
        self._mounts = {
            mount.token: mount
            for mount in mounts
            if mount.source.startswith("/dev/") and mount.root == "/"
        }
        folders = {
            place.id: place.location
            for place in places
            if place.kind is PlaceKind.FOLDER and place.standing is Standing.ACTIVE
        }
        wanted = {token: mount.point for token, mount in self._mounts.items()} | folders
        # Linux gives the next mount of a disk the same number where that is free: the same token.
        gone = {
            name
            for name, sight in self._sights.items()
            if name not in wanted or wanted[name].rstrip("/") != sight.point.rstrip("/")
        }
        for name in gone:
            del self._sights[name]
            self._asked_at.pop(name, None)
        self._heed(places, now)
        for name, point in wanted.items():
            if self._is_due(name, is_folder=name in folders, now=now):
                self._ask(name, point, now)
        return gone

    def _heed(self, places: Iterable[Place], now: datetime) -> None:
        active = {
            place.id: place.counts_from for place in places if place.standing is Standing.ACTIVE
        }
        before, self._active = self._active, active
        if before is not None and before != active:
            kinds = set(SightKind) - {SightKind.SILENT}
            self._stale = {name for name, _ in self._asked.values()}
            self.look_again([n for n, one in self._sights.items() if one.kind in kinds], now)

    def look_again(self, names: Iterable[str], now: datetime) -> None:
        """Something may be other than it was there: look once more."""
        for name in names:
            if name in self._sights:
                self._ask(name, self._sights[name].point, now)

    def _is_due(self, name: str, *, is_folder: bool, now: datetime) -> bool:
        if any(name == asked for asked, _ in self._asked.values()):
            return False
        sight = self._sights.get(name)
        if sight is None:
            return True
        passed = now - self._asked_at[name]
        return passed >= (FOLDERS_AGAIN if is_folder else ASK_AGAIN) and (
            is_folder or sight.kind is SightKind.SILENT
        )

    def _ask(self, name: str, point: str, now: datetime) -> None:
        key = f"{PREFIX}{name}"
        if key in self._asked:
            return
        self._asked[key] = (name, self._seconds())
        self._asked_at[name] = now
        self._send(key, point)

    def tend(self) -> float | None:
        """End looks that take too long; seconds until the next such moment."""
        soonest = None
        for key, (name, since) in list(self._asked.items()):
            left = since + LOOK_S - self._seconds()
            if left > 0:
                soonest = left if soonest is None else min(soonest, left)
                continue
            del self._asked[key]
            self._silent(name, "It did not answer: it may be failing.")
            self._end(key)
        return soonest

    def heard(self, ended: Ended) -> str | None:
        """A look came to its end; the name of the sight that is new or other now, if one is."""
        asked = self._asked.pop(ended.key, None)
        if asked is None:
            return None  # given up before
        name = asked[0]
        before = self._sights.get(name)
        if isinstance(ended.came, Failed):
            self._silent(name, ended.came.message)
        else:
            self._take_in(name, ended.came.sight)
        if name in self._stale:
            self._stale.discard(name)
            self.look_again([name], self._asked_at[name])
        return name if self._sights.get(name) != before else None

    def _take_in(self, name: str, text: str) -> None:
        try:
            sight = decode_sight(text)
        except ListingError as error:
            self._silent(name, error.message)
            return
        if name in self._mounts and sight.token != name:
            # Unmounted, or covered by another mount, while it was looked at.
            self._silent(name, "Something else is mounted there now.")
            if sight.point != self._mounts[name].point:
                self._asked_at[name] -= ASK_AGAIN  # it has moved: look there at the next notice
            return
        self._sights[name] = sight

    def gave_no_answer(self, path: str, now: datetime) -> None:
        """A deed was given up over a file: what holds it is silent, and asked again in ten minutes."""
        found = [
            name
            for name, sight in self._sights.items()
            if path.startswith(f"{sight.point.rstrip('/')}/") and sight.kind in _USEFUL
        ]
        for name in sorted(found, key=lambda name: -len(self._sights[name].point))[:1]:
            self._silent(name, "It gave no answer for minutes: it may be failing. Unplug it.")
            self._asked_at[name] = now

    def _silent(self, name: str, said: str) -> None:
        point = self._mounts[name].point if name in self._mounts else name
        token = name if name in self._mounts else ""
        before = self._sights.get(name) or Sight(kind=SightKind.SILENT, token=token, point=point)
        # Which place it was is still known: it counts as gone when it is.
        self._sights[name] = replace(
            before, kind=SightKind.SILENT, token=token, point=point, said=said
        )

    def note_free(self, free: Iterable[tuple[str, int]]) -> None:
        """How much room a worker found on places that it used."""
        left = dict(free)
        for name, sight in self._sights.items():
            if sight.place is not None and sight.place in left:
                self._sights[name] = replace(sight, free_bytes=left[sight.place])

    def drives(self) -> tuple[dict[PlaceId, DriveHere], list[str]]:
        """The places that are here, and a sentence for each that is here twice."""
        found: dict[PlaceId, dict[str, Sight]] = {}
        for sight in self._sights.values():
            is_out = self._active is not None and sight.place not in self._active
            if sight.kind is SightKind.PLACE and sight.place is not None and not is_out:
                found.setdefault(sight.place, {}).setdefault(sight.disk, sight)
        here, twice = {}, []
        for place, disks in found.items():
            sights = list(disks.values())
            if len(sights) > 1:
                points = " and ".join(sight.point for sight in sights)
                twice.append(
                    f"{sights[0].label} seems to be here twice, at {points}: one is a clone of the "
                    "other. Neither is used; disconnect one."
                )
                continue
            here[place] = _drive(place, sights[0])
        return here, twice

    def bare(self) -> dict[PlaceId, str]:
        """A sentence for each place that is here without its marker."""
        return {
            sight.place: sight.said
            for sight in self._sights.values()
            if sight.kind is SightKind.BARE and sight.place is not None
        }

    def is_here(self, token: str) -> bool:
        """Whether this mount is still in the mount table."""
        return token in self._mounts or any(s.token == token for s in self._sights.values())


def _drive(place: PlaceId, sight: Sight) -> DriveHere:
    return DriveHere(
        place=place,
        token=sight.token,
        point=sight.point,
        device=sight.device,
        free_bytes=sight.free_bytes,
        read_only=sight.read_only,
    )
