"""Which places are here now, and what watches that they stay what they are.

Promises:
1. A drive is known by its marker *and* its file system's UUID, never by its path.
2. ``OnlineDrive.guard`` raises before a write if under the root there is another file system, or
   another marker, than the one that was identified (an empty mount point is a folder on the wrong
   disk).
"""

import errno
import os.path
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, replace

from backupkeeper.actions.context import Context
from backupkeeper.actions.reading import read_small
from backupkeeper.core.away import not_here
from backupkeeper.core.errors import (
    SHORT,
    BackupkeeperError,
    DeviceError,
    DriveGoneError,
    MarkerError,
    MountChangedError,
    PlaceHeldError,
)
from backupkeeper.core.model import Place, PlaceId, PlaceKind, Standing
from backupkeeper.core.typed import typed
from backupkeeper.drives.marker import MARKER_LIMIT_BYTES, Marker, decode_marker
from backupkeeper.ports.files import EntryKind, Files, Handle, Stat
from backupkeeper.ports.mounts import DeviceInfo, Mount
from backupkeeper.transfer.coldpolicy import ColdPolicy, cold_policy
from backupkeeper.transfer.failures import write_failure

OWN_FOLDER = ".backupkeeper"
MARKER_PATH = f"{OWN_FOLDER}/place.json"
_KNOWS_NO_LOCKS = frozenset({errno.ENOLCK, errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL})


@dataclass(frozen=True, kw_only=True, slots=True)
class OnlineDrive:
    """A drive or folder place that is here now. ``root`` is where its tree starts."""

    place: Place
    root: str
    info: DeviceInfo
    cold: ColdPolicy
    guard: Callable[[], None]
    stays_on: Callable[[str], bool]
    """Whether a folder (relative) is on this very file system, through no link and no mount."""

    def holds(self, path: str) -> bool:
        """Whether a file's folder is on this drive and not somewhere else that is reached from it."""
        return self.stays_on(path.rpartition("/")[0])

    def absolute(self, path: str) -> str:
        """Where a path of this place is now."""
        return f"{self.root}/{path}" if path else self.root


def read_marker(files: Files, root: str) -> Marker | None:
    """The marker below a root, or None where there is none.

    Raises:
        MarkerError: there is one, and it can't be believed.
        ReadError: there is one, and it can't be read.
    """
    path = f"{root}/{MARKER_PATH}"
    with suppress(OSError):  # read all the same: that tells what is the matter
        if files.stat(f"{root}/{OWN_FOLDER}").kind is EntryKind.LINK:
            raise MarkerError(
                f"{root}/{OWN_FOLDER} is a link: what it leads to isn't this drive's."
            )
    try:
        return decode_marker(read_small(files, path, MARKER_LIMIT_BYTES))
    except DeviceError as error:
        if error.number in {errno.ENOENT, errno.ENOTDIR}:
            return None
        raise


def guard_for(files: Files, root: str) -> Callable[[], None]:
    """A check, cheap enough for every file, that ``root`` is still what it is now."""

    def look() -> tuple[tuple[int, int], tuple[int, int, int]]:
        folder: Stat = files.stat(root)
        marker: Stat = files.stat(f"{root}/{MARKER_PATH}")
        return (folder.device, folder.inode), (marker.device, marker.inode, marker.mtime_ns)

    first = look()

    def guard() -> None:
        try:
            now = look()
        except OSError as error:
            raise DriveGoneError("The drive", root) from error
        if now != first:
            raise MountChangedError(root)

    return guard


def online(context: Context, place: Place) -> OnlineDrive | str:
    """The place if it is here, else a sentence that says why not.

    A drive that was mounted elsewhere than last time is found by its UUID and marker. Two file
    systems that both carry them can't be told apart, so neither is used.
    """
    if place.standing is not Standing.ACTIVE:
        return come_back(context, place) or f"{place.name} is {place.standing}."
    found, why = bearers(context, place)
    if len(found) > 1:
        points = " and ".join(drive.root for drive in found)
        return (
            f"{place.name} seems to be here twice, at {points}: one is a clone of the other, to the "
            "very UUID. Neither is used; disconnect one."
        )
    if not found:
        without = bare(context, place)
        return str(without) if without is not None else why
    (drive,) = found
    if drive.place != place:
        context.catalog.put_place(drive.place)
    return drive


def come_back(context: Context, place: Place) -> str:
    """Where a place that was lost or retired is here: that it is, and what makes it count again."""
    if place.standing is Standing.ACTIVE or place.kind is PlaceKind.BUCKET:
        return ""
    found, _ = bearers(context, place)
    return back_sentence(place, found[0].root) if found else ""


def back_sentence(place: Place, root: str) -> str:
    """That a place is here which counts as lost or retired."""
    return (
        f"{place.name} is at {root}, and counts as {place.standing}: nothing is read or written "
        f"there. If it is to count again, after it was read anew: "
        f"backupkeeper place found {typed(place.name)}"
    )


def bearers(context: Context, place: Place) -> tuple[list[OnlineDrive], str]:
    """All file systems that carry the place's marker and UUID; a sentence for when there is none.

    More than one is a drive and its clones. One that is mounted twice is one.
    """
    why = not_here(place)
    here: dict[tuple[int, int], OnlineDrive] = {}
    for root, mount in _candidates(context, place):
        try:
            found = identify(context, place, root, mount)
        except BackupkeeperError as error:
            if root == place.location:  # elsewhere it is some other medium's trouble
                why = f"{place.name}: {error}"
            continue
        except OSError:
            continue
        if isinstance(found, OnlineDrive):
            here.setdefault(found.info.mount.device_number, found)
        else:
            why = found or why
    return list(here.values()), why


def online_drives(context: Context) -> tuple[list[OnlineDrive], list[str]]:
    """All drives and folders of the catalog that are here, and a sentence for each that is not."""
    here, away = here_and_away(context)
    return here, list(away.values())


def here_and_away(context: Context) -> tuple[list[OnlineDrive], dict[PlaceId, str]]:
    """As ``online_drives``, each sentence by its place."""
    here, away = list[OnlineDrive](), dict[PlaceId, str]()
    for place in context.catalog.places():
        if place.kind is PlaceKind.BUCKET or place.standing is not Standing.ACTIVE:
            continue
        found = online(context, place)
        if isinstance(found, OnlineDrive):
            here.append(found)
        else:
            away[place.id] = found
    return here, away


@dataclass(frozen=True, kw_only=True, slots=True)
class Bare:
    """A drive or folder that is here without a marker of its own: somebody was at it."""

    place: Place
    root: str
    info: DeviceInfo

    def __str__(self) -> str:
        """What that means, and what can be done."""
        return (
            f"{self.place.name} is at {self.root}, but its marker is gone or spoiled: nothing on it "
            "counts. Look what happened there. If it is to count again, after it was read anew: "
            f"backupkeeper place found {typed(self.place.name)}"
        )


def bare(context: Context, place: Place) -> Bare | None:
    """Where a place is here without its marker; None where it is away, or can't be looked at.

    To be asked of a place that is not here by its marker. It is known by its file system's UUID, so one
    without a UUID, or one that was formatted, is not found.
    """
    for root, mount in _candidates(context, place):
        with suppress(BackupkeeperError, OSError):
            if found := bare_at(context, place, root, mount):
                return found
    return None


def bare_at(context: Context, place: Place, root: str, mount: Mount) -> Bare | None:
    """The same of one mount.

    Raises:
        BackupkeeperError, OSError: it can't be looked at.
    """
    is_whole = mount.point == root
    if place.fs_uuid is None or (place.kind is PlaceKind.DRIVE) is not is_whole:
        return None
    info = context.mounts.inspect(mount)
    if info.fs_uuid != place.fs_uuid or context.files.stat(root).kind is not EntryKind.FOLDER:
        return None
    with suppress(MarkerError):
        if read_marker(context.files, root) is not None:
            return None  # its own, or that of another place, which it is then
    return Bare(place=place, root=root.rstrip("/") or "/", info=info)


def _candidates(context: Context, place: Place) -> list[tuple[str, Mount]]:
    found: list[tuple[str, Mount]] = []
    with suppress(BackupkeeperError, OSError):  # gone from there: it may be mounted elsewhere now
        found.append((place.location, context.mounts.under(place.location)))
    if place.kind is PlaceKind.DRIVE and place.fs_uuid is not None:
        found.extend(
            (mount.point, mount)
            for mount in context.mounts.current()
            if mount.point != place.location and mount.source.startswith("/dev/")
        )
    return found


def identify(context: Context, place: Place, root: str, mount: Mount) -> OnlineDrive | str | None:
    """The place at this root; a sentence if its likeness is there; None if something else is.

    Raises:
        MarkerError, ReadError: the marker can't be believed, or read.
        OSError: what lies there is going away just now.
    """
    if place.kind is PlaceKind.DRIVE and mount.point != root:
        return None
    marker = read_marker(context.files, root)
    if marker is None or marker.id != place.id:
        return None
    info = context.mounts.inspect(mount)
    if info.fs_uuid != place.fs_uuid:
        return (
            f"What is at {root} carries the marker of {place.name} but is another file system: "
            "a clone. It is not used."
        )
    seen = replace(
        place,
        location=root,
        device=info.device,
        label=info.label,
        size_bytes=info.size_bytes,
        spins=info.spins,
    )
    return OnlineDrive(
        place=seen,
        root=root.rstrip("/") or "/",
        info=info,
        cold=cold_policy(mount.fs_type, info.block_device, stopwatch=context.clock.monotonic),
        guard=guard_for(context.files, root),
        stays_on=staying(context, root, mount),
    )


@contextmanager
def holding_places(context: Context, places: Iterable[Place], *, doing: str) -> Iterator[None]:
    """Keep every other program on this catalog from working on these places meanwhile.

    In the order of their ids, whatever order they come in: of two programs that want the same
    places at the same moment, one gets them all.

    Args:
        context: the world.
        places: which; a bucket has no other lock than this one.
        doing: what is done, in words for another program's sentence ("uploading").

    Raises:
        PlaceHeldError: another one is at work on a place; none is held then.
        CatalogError: a lock can't be made.
    """
    with ExitStack() as stack:
        for place in _in_order(places):
            stack.enter_context(context.locks.hold(place.id, called=place.name, doing=doing))
        yield


@contextmanager
def holding(context: Context, drives: Iterable[OnlineDrive], *, doing: str) -> Iterator[None]:
    """Keep every other program of ours from working on these drives meanwhile.

    Twice: by locks beside the catalog, which can say who holds them, and then by one on each drive's
    own marker, for two machines' catalogs, or two people's, know nothing of each other.

    Args:
        context: the world.
        drives: which; see ``holding_places`` about their order. Nobody waits.
        doing: what is done, in words for another program's sentence ("proving Roll 02").

    Raises:
        PlaceHeldError: another one is at work on a drive; none is held then.
        DriveGoneError: a drive is gone.
        DeviceError: a drive's file system knows no locks.
        CatalogError: a lock can't be made.
    """
    here = {drive.place.id: drive for drive in drives}
    with ExitStack() as stack:
        places = [drive.place for drive in here.values()]
        stack.enter_context(holding_places(context, places, doing=doing))
        for place in _in_order(places):
            stack.callback(_let_go, context, _marked(context, here[place.id]))
        yield


def _in_order(places: Iterable[Place]) -> list[Place]:
    return sorted({place.id: place for place in places}.values(), key=lambda place: place.id)


def _marked(context: Context, drive: OnlineDrive) -> Handle:
    """The lock on a drive's own marker."""
    path = drive.absolute(MARKER_PATH)
    try:
        return context.files.lock(path)
    except BlockingIOError as error:
        raise PlaceHeldError(drive.place.name, process=None) from error
    except OSError as error:
        if error.errno in _KNOWS_NO_LOCKS:
            told = f"{drive.place.name}'s file system knows no locks: use a drive of this machine."
            raise DeviceError(path, error.errno, advice=told) from error
        if error.errno in SHORT:
            raise write_failure(path, error) from error
        raise DriveGoneError(drive.place.name, drive.root) from error


def _let_go(context: Context, handle: Handle) -> None:
    with suppress(OSError):  # the drive went meanwhile, and its lock with it
        context.files.close(handle)


def staying(context: Context, root: str, mount: Mount) -> Callable[[str], bool]:
    """See ``OnlineDrive.stays_on``, below any root; each folder is looked at once."""
    known: dict[str, bool] = {"": True}

    def stays_on(folder: str) -> bool:
        if folder not in known:
            path = f"{root.rstrip('/')}/{folder}"
            try:
                is_folder = context.files.stat(path).kind is EntryKind.FOLDER
                here = is_folder and context.mounts.under(path).token == mount.token
            except (BackupkeeperError, OSError):
                return True  # nothing is there that could lead elsewhere
            known[folder] = stays_on(folder.rpartition("/")[0]) and here
        return known[folder]

    return stays_on


def place_holding(drives: list[OnlineDrive], path: str) -> OnlineDrive | None:
    """The drive below whose root an absolute path lies."""
    for drive in drives:
        if path == drive.root or path.startswith(drive.root.rstrip("/") + "/"):
            return drive
    return None


def relative_to(drive: OnlineDrive, path: str) -> str:
    """An absolute path below a drive's root as a path of that place."""
    return os.path.relpath(path, drive.root) if path != drive.root else ""


def make_durable(context: Context, drive: OnlineDrive) -> None:
    """What a person put there may lie in memory only, its folders' entries too.

    Raises:
        SyncError: it could not be made durable.
    """
    try:
        context.files.sync_tree(drive.root)
    except OSError as error:
        raise write_failure(drive.root, error, syncing=True) from error
