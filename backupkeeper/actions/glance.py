"""A glance at copies that are believed to be there: is each still, with its size and time?

A glance reads no byte and proves nothing; it only notices what is gone, was changed, or is another
object than the one that was proven, so that nobody is told yes about a copy that any file browser
shows to be missing.
"""

import errno
from collections.abc import Callable, Iterable
from dataclasses import replace

from backupkeeper.actions.context import Context
from backupkeeper.actions.online import OnlineDrive
from backupkeeper.actions.ours import is_another, known_version, look_at_ours
from backupkeeper.actions.recording import record_seen
from backupkeeper.core.errors import BackupkeeperError
from backupkeeper.core.model import (
    Blake3,
    Copy,
    CopyState,
    Fact,
    Place,
    PlaceId,
    PlaceKind,
    Result,
    Standing,
    Way,
)
from backupkeeper.core.policy import copies_of
from backupkeeper.ports.bucket import ObjectEntry
from backupkeeper.ports.files import EntryKind

BELIEVED = frozenset({CopyState.PROVEN, CopyState.DUE, CopyState.WRITTEN})

See = Callable[[Copy, int], Fact | None]
"""A fact where the copy with this size is not as it must be; None where nothing speaks against it."""


def glance_at_drives(
    context: Context, drives: Iterable[OnlineDrive], contents: Iterable[Blake3]
) -> None:
    """Look at every believed copy of these contents on the drives that are here; record what fails."""
    here = {drive.place.id: drive for drive in drives}

    def see(copy: Copy, size: int) -> Fact | None:
        drive = here[copy.place]
        drive.guard()
        try:
            stat = context.files.stat(drive.absolute(copy.path))
        except OSError as error:
            if error.errno not in {errno.ENOENT, errno.ENOTDIR}:
                return None
            return _seen(context, copy, Result.MISSING, "not there when looked at")
        if stat.kind is not EntryKind.FILE or not drive.holds(copy.path):
            return _seen(context, copy, Result.MISSING, "something else stands there")
        if stat.size != size:
            return _seen(context, copy, Result.CHANGED, f"{stat.size:,} bytes instead of {size:,}")
        return None

    _look(context, [drive.place for drive in here.values()], contents, see)


def glance_at_buckets(
    context: Context, contents: Iterable[Blake3]
) -> tuple[list[str], frozenset[PlaceId]]:
    """The same for buckets, by their listings.

    Returns:
        A sentence for each that does not answer, and for what else is worth knowing; those that did.
    """
    wanted = list(contents)
    told: list[str] = []
    answered: set[PlaceId] = set()
    for place in context.catalog.places():
        if place.kind is not PlaceKind.BUCKET or place.standing is not Standing.ACTIVE:
            continue
        try:
            told += _glance_at_bucket(context, place, wanted)
            answered.add(place.id)
        except BackupkeeperError as error:
            told.append(
                f"{place.name} could not be looked at now ({error.message}) What counts is its "
                "last proof."
            )
    return told, frozenset(answered)


def _glance_at_bucket(context: Context, place: Place, contents: list[Blake3]) -> list[str]:
    """Look by listings, and at the versions that are ours where a listing shows something else."""
    bucket = context.open_bucket(place, hurried=True)
    listed: dict[str, dict[str, ObjectEntry]] = {}
    over: list[str] = []

    def see(copy: Copy, size: int) -> Fact | None:
        folder = copy.path.rpartition("/")[0] + "/"
        if folder not in listed:
            listed[folder] = {entry.key: entry for entry in bucket.listing(folder)}
        found = listed[folder].get(copy.path)
        if found is None or found.size != size:
            ours = look_at_ours(bucket, copy.path, known_version(copy))
            if ours.over and ours.entry is not None:
                over.append(f"{place.name}, {copy.path}: {ours.over}")
                found = ours.entry
        elif is_another(copy, found):
            # A listing may write an ETag in a way of its own: HEAD is what a proof's mark came from.
            found = bucket.look(copy.path)
        return _speaks_against(context, copy, found, size)

    _look(context, [place], contents, see)
    if len(over) > 1:
        return [f"{over[0]} So it is with {len(over)} objects in all."]
    return over


def _speaks_against(
    context: Context, copy: Copy, found: ObjectEntry | None, size: int
) -> Fact | None:
    """A fact where the object that was found is not the one that was proven."""
    if found is None:
        return _seen(context, copy, Result.MISSING, "no such object when looked at")
    if found.size != size:
        return _seen(context, copy, Result.CHANGED, f"{found.size:,} bytes instead of {size:,}")
    if is_another(copy, found):
        # Nobody knows its bytes yet: there by its entry, and no proof is about it any more
        # (``core.policy``). The next upload fetches it back.
        fact = _seen(context, copy, Result.MATCHES, "not the object that was proven")
        return replace(fact, version=found.mark)
    return None


def _look(context: Context, places: Iterable[Place], contents: Iterable[Blake3], see: See) -> None:
    wanted = list(contents)
    known = context.catalog.contents(wanted)
    copies = copies_of(
        context.catalog.facts_of(wanted),
        {place.id: place for place in places},
        context.config.policy,
        context.clock.now(),
    )
    record_seen(
        context,
        [
            fact
            for group in copies.values()
            for copy in group
            if copy.state in BELIEVED
            and copy.content in known
            and (fact := see(copy, known[copy.content].size)) is not None
        ],
    )


def _seen(context: Context, copy: Copy, result: Result, note: str) -> Fact:
    return Fact(
        at=context.clock.now(),
        place=copy.place,
        path=copy.path,
        content=copy.content,
        way=Way.LOOKED,
        result=result,
        evidence="looked at",
        note=note,
    )
