"""The folder that a restore goes to: whether it may, and what watches that it stays what it is.

Promises:
1. It is no place (of this catalog or of another), lies in none, and is no card.
2. It is not written to before all of that was looked at, nor through a link or another mount in it.
"""

import os.path
from collections.abc import Callable
from dataclasses import dataclass

from backupkeeper.actions.context import Context
from backupkeeper.actions.online import (
    OnlineDrive,
    online_drives,
    place_holding,
    read_marker,
    staying,
)
from backupkeeper.core.cardrules import Sight, recognise
from backupkeeper.core.errors import (
    DeviceError,
    DriveGoneError,
    HostileInputError,
    MountChangedError,
    ReadOnlyError,
    UsageError,
)
from backupkeeper.core.model import EventKind
from backupkeeper.core.naming import FsLimits, limits_of
from backupkeeper.ports.files import EntryKind, Files
from backupkeeper.ports.mounts import DeviceInfo
from backupkeeper.transfer.coldpolicy import ColdPolicy, cold_policy
from backupkeeper.transfer.durable import make_folders

_CARD_FOLDERS = frozenset({"DCIM"})
"""Folders in the root of a medium that make a card of it (DCF, JEITA CP-3461: from memory)."""
_MOST_LOOKED_AT = 10_000
"""Entries of that root."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Target:
    """Where a restore goes. ``anchor`` is the part of ``root`` that was there before."""

    root: str
    anchor: str
    info: DeviceInfo
    cold: ColdPolicy
    guard: Callable[[], None]
    stays_on: Callable[[str], bool]

    @property
    def limits(self) -> FsLimits:
        """What names its file system can hold."""
        return limits_of(self.info.mount.fs_type)

    def absolute(self, path: str) -> str:
        """Where a path below it is."""
        return f"{self.root.rstrip('/')}/{path}" if path else self.root

    def make(self, files: Files, folder: str) -> None:
        """Make a folder below it, durably; itself too where it is not there yet.

        Raises:
            NameTakenError: something stands where a folder is wanted (a link too).
            MountChangedError: it leads onto another file system.
        """
        inner = self.absolute(folder).removeprefix(self.anchor.rstrip("/"))
        make_folders(files, self.anchor, inner, self.guard)
        if not self.stays_on(inner.strip("/")):
            raise MountChangedError(self.absolute(folder))


def find_target(context: Context, to: str) -> Target:
    """Look at a folder that is to be restored to; nothing is written.

    Args:
        context: the world.
        to: absolute, links resolved; it need not be there yet.

    Raises:
        UsageError: it can't be restored to; the sentence says why.
        ReadOnlyError: it is on something that is mounted read-only.
    """
    anchor = _anchor(context, to)
    mount = context.mounts.under(anchor)
    drives, _ = online_drives(context)
    _must_be_free(context, to, anchor, mount.point, drives)
    if mount.read_only:
        raise ReadOnlyError(to, 30, advice="Choose another folder.")
    info = context.mounts.inspect(mount)
    must_be_no_card(context, to, info)
    return Target(
        root=to,
        anchor=anchor,
        info=info,
        cold=cold_policy(mount.fs_type, info.block_device, stopwatch=context.clock.monotonic),
        guard=guard_of(context.files, anchor),
        stays_on=staying(context, anchor, mount),
    )


def _anchor(context: Context, to: str) -> str:
    """The folder itself, or the nearest one above it that is there."""
    path = to
    while True:
        try:
            kind = context.files.stat(path).kind
        except (FileNotFoundError, NotADirectoryError):
            path = os.path.dirname(path)
            continue
        except OSError as error:
            raise UsageError(f"{to} can't be looked at ({error.strerror}).") from error
        if kind is not EntryKind.FOLDER:
            raise UsageError(f"{path} is no folder.", advice="Name a folder to restore to.")
        return path


def _must_be_free(
    context: Context, to: str, anchor: str, point: str, drives: list[OnlineDrive]
) -> None:
    """That it neither is a place nor lies in one, of this catalog or of another."""
    drive = place_holding(drives, to)
    if drive is not None:
        raise UsageError(
            f"{to} is in {drive.place.name}, a place of yours.",
            advice="What is missing there 'backupkeeper mirror' brings back, and 'backupkeeper repair' "
            "mends what is damaged. To restore, name a folder outside of all places.",
        )
    path = anchor
    while True:
        try:
            is_place = read_marker(context.files, path) is not None
        except HostileInputError:
            is_place = True  # something of that name, whatever it says
        except DeviceError:
            is_place = False
        if is_place:
            raise UsageError(
                f"{path} carries a place's marker: perhaps another catalog's.",
                advice="Name a folder outside of all places.",
            )
        if path in {point, "/"}:
            return
        path = os.path.dirname(path)


def must_be_no_card(context: Context, to: str, info: DeviceInfo) -> None:
    """That it is on no medium that looks like a card: those are never written to."""
    mount = info.mount
    if mount.point == "/":
        return
    files: list[str] = []
    folders: list[str] = []
    try:
        for number, (name, kind) in enumerate(context.files.list(mount.point)):
            (folders if kind is EntryKind.FOLDER else files).append(name)
            if number > _MOST_LOOKED_AT:
                break
    except OSError as error:
        raise UsageError(f"{mount.point} can't be looked at ({error.strerror}).") from error
    sight = Sight(
        label=info.label,
        fs_type=mount.fs_type,
        folders=tuple(folders),
        files=tuple(files),
        size_bytes=info.size_bytes,
    )
    found = recognise(context.config.sources, sight)
    by_rule = found.rule is not None or found.several
    taken = context.catalog.latest(EventKind.CARD_TAKEN).get(mount.token)
    was_offloaded = taken is not None and bool(taken.detail)
    if by_rule or was_offloaded or _CARD_FOLDERS & set(folders):
        raise UsageError(
            f"{to} is on {mount.point}, which looks like a card. Cards are never written to.",
            advice="Name a folder on a drive.",
        )


def guard_of(files: Files, anchor: str) -> Callable[[], None]:
    """A check that a folder is still the one it is now."""
    first = files.stat(anchor)

    def guard() -> None:
        try:
            now = files.stat(anchor)
        except OSError as error:
            raise DriveGoneError("The folder to restore to", anchor) from error
        if (now.device, now.inode) != (first.device, first.inode):
            raise MountChangedError(anchor)

    return guard
