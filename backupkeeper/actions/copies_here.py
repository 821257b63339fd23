"""Copies of a roll on one drive that are to be read again, in the order in which they lie there."""

from collections.abc import Collection, Iterable
from dataclasses import dataclass

from backupkeeper.actions.context import Context
from backupkeeper.actions.one_roll import roll_now
from backupkeeper.actions.online import OnlineDrive
from backupkeeper.actions.selection import Selection
from backupkeeper.core.fitting import possible_paths
from backupkeeper.core.lying import Lying
from backupkeeper.core.model import Blake3, Copy, Fact, Result, Roll, RollFile
from backupkeeper.core.scrub import read_order


@dataclass(frozen=True, kw_only=True, slots=True)
class Asked:
    """A copy to be read. ``mount``: in which it was last seen well."""

    path: str
    file: RollFile
    mount: str | None


def mount_of(copy: Copy) -> str | None:
    """The mount in which a copy was last seen well; see ``copies_here``."""
    well = copy.latest is not None and copy.latest.result is Result.MATCHES
    return copy.latest.mount if copy.latest is not None and well else None


def copies_here(
    context: Context,
    drive: OnlineDrive,
    roll: Roll,
    chosen: Selection,
    *,
    read: Collection[tuple[str, Blake3]] = (),
) -> list[Asked]:
    """Copies of a roll's files that facts put on this drive, with the mount of the last writing.

    Args:
        context: the world.
        drive: which.
        roll: sealed.
        chosen: what is asked for.
        read: paths, and what was read there just now: left out.
    """
    homes = possible_paths(roll.head.folder, [*(f.path for f in roll.files), *roll.folders])
    by_place: dict[str, RollFile] = {home: file for file in roll.files for home in homes[file.path]}
    latest: dict[str, Fact] = {}
    for fact in context.catalog.facts_at(drive.place.id, below=roll.head.folder):
        file = by_place.get(fact.path)
        if file is None or fact.content != file.content:
            continue
        if fact.path not in latest or latest[fact.path].at <= fact.at:
            latest[fact.path] = fact
    missing = {path for path, fact in latest.items() if fact.result is Result.MISSING}
    found = [
        Asked(
            path=path,
            file=by_place[path],
            # A file that was missing or bad may have been put back since, in this very mount.
            mount=fact.mount if fact.result is Result.MATCHES else None,
        )
        for path, fact in latest.items()
    ]
    if missing or len(latest) < len(roll.files):
        known = {(path, fact.content) for path, fact in latest.items()}
        elsewhere = _elsewhere(context, drive, roll, known)
        moved = {one.file.path for one in elsewhere}
        found = [one for one in found if one.path not in missing or one.file.path not in moved]
        found += elsewhere
    meant = (one for one in found if chosen.covers_any([one.path, *homes[one.file.path]]))
    left = (one for one in meant if (one.path, one.file.content) not in read)
    return in_one_sweep(context, drive, left)


def _elsewhere(
    context: Context, drive: OnlineDrive, roll: Roll, known: Collection[tuple[str, Blake3]]
) -> list[Asked]:
    """Copies on a drive that has the roll, or some of it, but not in the roll's own folder."""
    now = roll_now(context, roll.head.id)
    lying = Lying(roll, now.copies, now.places, now.trees)
    found = {
        (copy.path, copy.content): Asked(path=copy.path, file=file, mount=mount_of(copy))
        for file in roll.files
        for copy in lying.own(file)
        if copy.place == drive.place.id and (copy.path, copy.content) not in known
    }
    return list(found.values())


def in_one_sweep(context: Context, drive: OnlineDrive, copies: Iterable[Asked]) -> list[Asked]:
    """Folder by folder, in the order in which the files lie on the device."""
    by_path = sorted(copies, key=lambda one: one.path)
    places = [(one.path, _position(context, drive, one.path)) for one in by_path]
    return [by_path[number] for number in read_order(places)]


def _position(context: Context, drive: OnlineDrive, path: str) -> int | None:
    if not drive.holds(path):
        return None  # a folder above it leads elsewhere: nothing there is opened
    try:
        return context.files.disk_position(drive.absolute(path))
    except OSError:
        return None  # what is wrong with it its reading will tell
