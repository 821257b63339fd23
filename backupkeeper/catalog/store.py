"""The catalog as the rest of the program sees it: ``ports.catalog.Catalog`` on a SQLite file.

Promises:
1. What ``record``, ``seal`` and ``put_place`` were given is on the disk when they return (inside
   ``transaction``: when that ends), or none of it is.
2. Only ``CatalogError`` leaves, and ``UsageError`` where ``put_place`` says so. What a caller's
   own iterable or ``transaction`` body raises passes through untouched, and nothing is recorded.
3. Two programs may use one catalog at once: each write waits for the other's, up to a bound.
4. One thread, the one that opened it, may use it; another is refused.

Example:
    with closing(open_catalog(path, clock=clock)) as catalog:
        catalog.record(facts=[fact])
"""

import heapq
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from backupkeeper.catalog import (
    events,
    reading,
    rows,
    standings,
    tallies,
    thinning,
    uploads,
    writing,
)
from backupkeeper.catalog.encrypted import EncryptedObjects
from backupkeeper.catalog.opening import connect
from backupkeeper.catalog.outbox import OutboxRows
from backupkeeper.catalog.summed import Summed
from backupkeeper.catalog.theirs import theirs, untouched
from backupkeeper.core.covers import FileGroup
from backupkeeper.core.errors import CatalogError, UsageError
from backupkeeper.core.model import (
    Blake3,
    Content,
    Event,
    EventKind,
    Fact,
    Place,
    PlaceId,
    Roll,
    RollFile,
    RollHead,
    RollId,
    Standing,
    Xxh128,
)
from backupkeeper.core.policy import Policy
from backupkeeper.core.scrub import Load
from backupkeeper.core.standing import Scale, Tallies
from backupkeeper.core.uploads import Begun
from backupkeeper.ports.catalog import OpenRoll, Thinned
from backupkeeper.ports.clock import Clock


def open_catalog(path: str, *, clock: Clock, patience_s: float = 10.0) -> "SqliteCatalog":
    """Open the catalog, or make an empty one where there is none.

    Args:
        path: its file; missing folders are made, for their owner alone.
        clock: the time of day.
        patience_s: how long to wait for another program that is writing, in seconds.

    Raises:
        CatalogError: damaged, of a newer program, held by another, not ours, or out of reach.
    """
    connection, checked = connect(path, clock=clock, patience_s=patience_s)
    return SqliteCatalog(connection, path, clock=clock, checked=checked)


class SqliteCatalog(EncryptedObjects, OutboxRows, Summed):
    """See ``ports.catalog.Catalog`` for what each method promises; made by ``open_catalog``."""

    # -- places

    def places(self) -> tuple[Place, ...]:
        """All places, oldest first, lost and retired ones too."""
        with self._asking() as connection:
            found = connection.execute(
                "SELECT p.id, name, role, kind, created_at, location, standing, fs_uuid, label, "
                "size_bytes, device, spins, endpoint, profile "
                "FROM places JOIN place_ids p USING (no) ORDER BY created_at, p.id"
            ).fetchall()
            return standings.with_counts_from(connection, map(rows.place_from, found))

    def stand(self, place: PlaceId, standing: Standing) -> datetime:
        """Remember how a person says that a place stands: their last word on it, whatever the clock says.

        Returns:
            The time it got; proofs from before it count no more where the place is active then.
        """
        with self._writing() as connection:
            return standings.stand(connection, place, standing, self._clock.now())

    def put_place(self, place: Place) -> None:
        """Add a place, or update the one with its id.

        Raises:
            UsageError: another place has that name, and this one had not. (Two machines may have
                given one name twice; their merged catalog goes on with both.)
        """
        with self._writing() as connection:
            named = connection.execute(
                "SELECT p.id FROM places JOIN place_ids p USING (no) WHERE name = ?",
                (rows.words(place.name),),
            ).fetchall()
            if named and (place.id,) not in named:
                raise UsageError(
                    f"There is a place named {place.name} already.", advice="Choose another name."
                )
            writing.put_place(connection, place, self._clock.now())

    # -- rolls and contents

    def record(
        self,
        *,
        contents: Iterable[Content] = (),
        facts: Iterable[Fact] = (),
        taken: tuple[OpenRoll, Sequence[RollFile]] | None = None,
    ) -> None:
        """Add all of this in one durable transaction; what is there already is no error."""
        with untouched(), self._writing() as connection:
            writing.add_contents(connection, theirs(contents), self._path)
            writing.add_facts(connection, theirs(facts))
            if taken is not None:
                writing.take(connection, *taken)

    def open_rolls(self) -> tuple[OpenRoll, ...]:
        """Rolls begun and not sealed, oldest first."""
        with self._asking() as connection:
            found = connection.execute(
                "SELECT folder, shoot, source, name, begun_at FROM open_rolls "
                "ORDER BY begun_at, folder"
            ).fetchall()
            return tuple(rows.open_roll_from(row) for row in found)

    def taken(self, folder: str) -> tuple[RollFile, ...]:
        """Files recorded so far for the open roll with this folder, sorted by path."""
        with self._asking() as connection:
            found = connection.execute(
                "SELECT f.path, k.blake3, f.size, f.mtime_ns FROM open_rolls r "
                "JOIN open_files f ON f.roll = r.no JOIN content_ids k ON k.no = f.content "
                "WHERE r.folder = ?",
                (rows.path_bytes(folder),),
            ).fetchall()
            return _sorted_files(found)

    def seal(self, roll: Roll) -> None:
        """Close a roll: head, files, empty folders, what was left out. Idempotent by id."""
        with self._writing() as connection:
            writing.seal(connection, roll)

    def rolls(self) -> tuple[RollHead, ...]:
        """All sealed rolls, by shoot, source and name."""
        with self._asking() as connection:
            found = connection.execute(
                "SELECT id, shoot, source, name, folder, sealed_at, file_count, size_bytes "
                "FROM rolls ORDER BY shoot, source, name, id"
            ).fetchall()
            return tuple(rows.head_from(row) for row in found)

    def roll(self, roll_id: RollId) -> Roll:
        """One sealed roll, whole, files sorted by path.

        Raises:
            CatalogError: there is none with this id.
        """
        with self._asking() as connection:
            row = connection.execute(
                "SELECT no, id, shoot, source, name, folder, sealed_at, file_count, size_bytes "
                "FROM rolls WHERE id = ?",
                (roll_id,),
            ).fetchone()
            if row is None:
                raise CatalogError(f"The catalog {self._path} knows no roll {roll_id}.")
            number, *head = row
            files = connection.execute(
                "SELECT f.path, k.blake3, f.size, f.mtime_ns FROM roll_files f "
                "JOIN content_ids k ON k.no = f.content WHERE f.roll = ?",
                (number,),
            ).fetchall()
            folders = connection.execute(
                "SELECT path FROM roll_folders WHERE roll = ? ORDER BY position", (number,)
            ).fetchall()
            left_out = connection.execute(
                "SELECT path, why FROM roll_left_out WHERE roll = ? ORDER BY position", (number,)
            ).fetchall()
        return Roll(
            head=rows.head_from(tuple(head)),
            files=_sorted_files(files),
            folders=tuple(rows.path_from(path) for (path,) in folders),
            left_out=tuple((rows.path_from(path), rows.unwords(why)) for path, why in left_out),
        )

    def contents(self, names: Iterable[Blake3]) -> Mapping[Blake3, Content]:
        """The known ones among these contents."""
        wanted = dict.fromkeys(names)
        with self._asking() as connection:
            raw = [rows.blake3(name) for name in wanted]
            digests: dict[object, dict[str, str]] = {}
            for name, kind, value in reading.asked(connection, reading.DIGESTS, raw):
                digests.setdefault(name, {})[kind] = value
            found = reading.asked(connection, reading.CONTENTS, raw)
            known = [rows.content_from(row, digests.get(row[0], {})) for row in found]
            return {content.blake3: content for content in known}

    def sealed_among(self, contents: Iterable[Blake3]) -> frozenset[Blake3]:
        """Those of these contents that belong to at least one sealed roll."""
        wanted = dict.fromkeys(contents)
        with self._asking() as connection:
            raw = [rows.blake3(name) for name in wanted]
            found = reading.asked(connection, reading.SEALED, raw)
            return frozenset(rows.name_from(row[0]) for row in found)

    def rolls_with(self, contents: Iterable[Blake3]) -> frozenset[RollId]:
        """Sealed rolls that hold at least one of these contents."""
        wanted = dict.fromkeys(contents)
        with self._asking() as connection:
            raw = [rows.blake3(name) for name in wanted]
            return frozenset(
                RollId(row[0]) for row in reading.asked(connection, reading.ROLLS_WITH, raw)
            )

    def homes_of(self, contents: Iterable[Blake3]) -> Mapping[Blake3, Sequence[tuple[str, str]]]:
        """Where sealed rolls have these contents: a roll's folder, and a file's path in it."""
        wanted = dict.fromkeys(contents)
        homes: dict[Blake3, list[tuple[str, str]]] = {}
        with self._asking() as connection:
            raw = [rows.blake3(name) for name in wanted]
            for name, folder, path in reading.asked(connection, reading.HOMES, raw):
                home = (rows.path_from(folder), rows.path_from(path))
                homes.setdefault(rows.name_from(name), []).append(home)
        return homes

    def contents_like(self, size: int, xxh128: Xxh128) -> Sequence[Content]:
        """Contents of this size with this hash. Walks over all: for what is asked seldom."""
        with self._asking() as connection:
            found = connection.execute(reading.LIKE, (size, bytes.fromhex(xxh128))).fetchall()
        return tuple(self.contents(rows.name_from(name) for (name,) in found).values())

    # -- facts

    def holdings(self, place: PlaceId) -> tuple[int, int]:
        """Copies, and bytes, that the newest facts show at a place; 0 bytes if nobody described it."""
        return self._counted(self._held, place, reading.holdings)

    def facts_of(self, contents: Iterable[Blake3]) -> Iterator[Fact]:
        """Every fact about any copy of these contents, in no order."""
        wanted = tuple(dict.fromkeys(contents))
        return self._facts(lambda connection: reading.copies_of(connection, wanted))

    def facts_of_roll(self, roll_id: RollId) -> Iterator[Fact]:
        """Every fact about any copy of the contents of one roll, in no order."""
        return self._facts(lambda connection: reading.copies_in_roll(connection, roll_id))

    def facts_at(
        self, place: PlaceId, *, below: str = "", since: datetime | None = None
    ) -> Iterator[Fact]:
        """Every fact (since then) about copies at a place whose path is ``below`` or lies below it."""
        return self._facts(lambda connection: reading.copies_below(connection, place, below), since)

    def proof_ages(self, place: PlaceId) -> tuple[Load, ...]:
        """When what a drive holds was last proven, five minutes by five minutes, oldest first."""
        return self._counted(self._ages, place, reading.proof_ages)

    def tallies(self, now: datetime, edges: Sequence[timedelta], scale: Scale | None) -> Tallies:
        """Counts over all copies: proofs by place, by age (bins end at ``edges``), over time."""
        with self._asking() as connection:
            counted = tallies.tallies(connection, now, edges)
        if scale is None:
            return counted
        places = {place.id: place for place in self.places()}
        return replace(counted, firsts=self._firsts(places, scale, now))

    def file_groups(self, policy: Policy, now: datetime) -> Mapping[RollId, Sequence[FileGroup]]:
        """The files of every roll that has any, counted by where their copies stand."""
        return self._file_groups({place.id: place for place in self.places()}, policy, now)

    def _facts(
        self,
        choose: Callable[[sqlite3.Connection], Iterable[int]],
        since: datetime | None = None,
    ) -> Iterator[Fact]:
        with self._asking() as connection:
            copies = choose(connection)
        stream = reading.facts_about(self._connection, copies, since)
        while True:
            with self._asking():
                fact = next(stream, None)
            if fact is None:
                return
            yield fact

    def facts_around_harm(self, place: PlaceId, since: datetime) -> Iterator[Fact]:
        """Every fact about copies at a place of which any was found damaged since then."""
        return self._facts(lambda connection: reading.copies_harmed(connection, place, since))

    def rolls_harmed(self, since: datetime) -> frozenset[RollId]:
        """Sealed rolls with a file of which any copy was found damaged since then."""
        with self._asking() as connection:
            return reading.rolls_harmed(connection, since)

    def not_plainly_proven(self, place: PlaceId, since: datetime) -> frozenset[RollId]:
        """Rolls with a file that has no proof at this place since then, or anything bad there.

        ``since`` must suit the most short-lived kind of proof that the place can have. Whether
        the place is lost is not asked.
        """
        with self._asking() as connection:
            return reading.not_plainly_proven(connection, place, since, self._clock.now())

    def unsent(self, roll_id: RollId, place: PlaceId) -> tuple[RollFile, ...]:
        """Files of a sealed roll without a copy at their own path there that was never found missing."""
        with self._asking() as connection:
            values = {"roll": roll_id, "place": place}
            return _sorted_files(connection.execute(reading.UNSENT, values))

    def thin_facts(self, now: datetime) -> Iterator[Thinned]:
        """Let go the facts that ``core.thinning`` names, step by step, each a durable one of its own."""
        return thinning.thin(self._asking, self._writing, now)

    # -- uploads under way

    def uploads(self, place: PlaceId) -> tuple[Begun, ...]:
        """Uploads in parts to a bucket that were begun and not ended, oldest first."""
        with self._asking() as connection:
            return uploads.of_place(connection, place)

    def upload_begun(self, place: PlaceId, begun: Begun) -> None:
        """Remember an upload durably; what is there already is no error."""
        with self._writing() as connection:
            uploads.put(connection, place, begun)

    def upload_ended(self, place: PlaceId, begun: Begun) -> None:
        """Forget an upload, however it ended; one that is not known is no error."""
        with self._writing() as connection:
            uploads.end(connection, place, begun)

    # -- events

    def note(self, happened: Iterable[Event]) -> None:
        """Remember events; what is there already is no error."""
        with untouched(), self._writing_events() as connection:
            events.add(connection, theirs(happened))

    def events(
        self,
        kinds: Iterable[EventKind],
        *,
        since: datetime | None = None,
        subject: str | None = None,
    ) -> Iterator[Event]:
        """Events of these kinds (of one subject, if it is named) since then, oldest first.

        Those of one moment come in the order of the kinds that were named.
        """
        each = [
            events.walk(self._asking, kind, since=since, subject=subject)
            for kind in dict.fromkeys(kinds)
        ]
        return heapq.merge(*each, key=lambda event: event.at)

    def latest(self, kind: EventKind) -> Mapping[str, Event]:
        """The newest event of a kind for each subject."""
        with self._asking() as connection:
            return events.latest(connection, kind)

    def thin(self, before: datetime, kinds: Iterable[EventKind]) -> None:
        """Forget events of these kinds that are older, but never the newest of a subject."""
        with self._writing_events() as connection:
            events.thin(connection, kinds, before)


def _sorted_files(found: Iterable[tuple[bytes, bytes, int, int]]) -> tuple[RollFile, ...]:
    return tuple(sorted(map(rows.file_from, found), key=lambda file: file.path))
