"""What is on a card: a walk that looks at every entry and opens none.

Promises:
1. The card is only listed and looked at (``Files.list``, ``Files.stat``). No link is even read:
   that alone would set its access time.
2. Every entry is told in one of the lists: nothing that was met is passed over in silence.
3. Order is that of the bytes of the names, folder by folder, so two walks of one card agree.
4. The walk ends, whatever the card says: folders that lead back to themselves, depth and number
   are bounded. It does not recurse, so depth costs no stack.
5. It stays on the card's own file system.
"""

import errno
import os
from dataclasses import dataclass, field
from typing import Final

from backupkeeper.cards.leaveout import LOST_AND_FOUND, file_litter, folder_litter, is_clip
from backupkeeper.core.errors import DriveGoneError, ListingError, ReadError, UsageError
from backupkeeper.core.model import CardEntry, CardListing
from backupkeeper.ports.files import EntryKind, Files, Stat

MOST_ENTRIES: Final = 5_000_000
"""More entries than a card has: a damaged file system that shows the same folders over and over."""
DEEPEST: Final = 1_000
"""Folders within folders; paths end at about 2,000 single-letter ones on Linux anyway."""
OUR_FOLDER: Final = ".backupkeeper"

_SPECIAL: Final = {
    EntryKind.LINK: "symbolic link: not followed, it may lead off the card",
    EntryKind.FIFO: "named pipe",
    EntryKind.SOCKET: "socket",
    EntryKind.DEVICE: "device node",
    EntryKind.UNKNOWN: "neither file nor folder",
}
_OTHER_SYSTEM: Final = "another file system is mounted here: not part of the card"


@dataclass(kw_only=True, slots=True)
class _Folder:
    """A folder that is being walked. ``waiting`` are names still to look at, last one first."""

    path: str
    identity: tuple[int, int]
    waiting: list[str]
    litter: str | None
    only_if_empty: str | None = None
    keeps: bool = False
    """Something in it, or below, is part of the card's content or could not be looked at."""
    left_out: list[tuple[str, str]] = field(default_factory=list)


def list_card(files: Files, root: str, *, most_entries: int = MOST_ENTRIES) -> CardListing:
    """Everything on a card.

    Args:
        files: the system calls.
        root: the card's folder itself, not a link to it (``os.path.realpath`` it before).
        most_entries: how many entries are believed.

    Raises:
        DriveGoneError: there is nothing at ``root``.
        UsageError: it is no folder.
        ReadError: it can't be looked at.
        ListingError: there are more entries than a card can have.
    """
    return _Walk(files, root, most_entries).run()


class _Walk:
    def __init__(self, files: Files, root: str, most_entries: int) -> None:
        self._files = files
        self._root = root.rstrip("/") or "/"
        self._left = most_entries
        self._trail: list[_Folder] = []
        self._entries: list[CardEntry] = []
        self._empty: list[str] = []
        self._specials: list[tuple[str, str]] = []
        self._unreadable: list[tuple[str, str]] = []
        self._warnings: list[str] = []

    def run(self) -> CardListing:
        top = self._open_root()
        self._trail = [top]
        while self._trail:
            folder = self._trail[-1]
            if folder.waiting:
                name = folder.waiting.pop()
                self._look(folder, f"{folder.path}/{name}" if folder.path else name)
            else:
                self._trail.pop()
                if self._trail:
                    self._leave(folder, self._trail[-1])
        return CardListing(
            root=self._root,
            files=tuple(self._entries),
            empty_folders=tuple(sorted(self._empty, key=_tree_order)),
            left_out=tuple(sorted(top.left_out, key=lambda item: _tree_order(item[0]))),
            specials=tuple(self._specials),
            unreadable=tuple(self._unreadable),
            warnings=tuple(self._warnings),
        )

    def _absolute(self, path: str) -> str:
        return f"{self._root.rstrip('/')}/{path}"

    def _names(self, absolute: str) -> list[str]:
        names = []
        for name, _ in self._files.list(absolute):
            self._left -= 1
            if self._left < 0:
                raise ListingError(
                    f"{self._root} shows more entries than a card can have.",
                    advice="Its file system seems to be damaged. Copy it by hand and keep the card.",
                )
            names.append(name)
        names.sort(key=os.fsencode, reverse=True)
        return names

    def _open_root(self) -> _Folder:
        try:
            stat = self._files.stat(self._root)
            if stat.kind is not EntryKind.FOLDER:
                raise UsageError(
                    f"{self._root} is no folder ({stat.kind.value}).",
                    advice="Give the folder where the card is mounted.",
                )
            names = self._names(self._root)
        except OSError as error:
            number = error.errno or 0
            if number in {errno.ENOENT, errno.ENODEV, errno.ENOTDIR}:
                raise DriveGoneError("The card", self._root) from error
            raise ReadError(self._root, number) from error
        if OUR_FOLDER in names:
            self._warnings.append(
                f"There is a folder {OUR_FOLDER} on it: this looks like a place, not like a card."
            )
        identity = (stat.device, stat.inode)
        return _Folder(path="", identity=identity, waiting=names, litter=None)

    def _look(self, parent: _Folder, path: str) -> None:
        try:
            stat = self._files.stat(self._absolute(path))
        except OSError as error:
            self._cannot(parent, path, _told(error))
            return
        if stat.kind in _SPECIAL:
            self._specials.append((path, _SPECIAL[stat.kind]))
        elif stat.device != self._device:
            self._specials.append((path, _OTHER_SYSTEM))
        elif stat.kind is EntryKind.FOLDER:
            self._enter(parent, path, stat)
        else:
            self._take(parent, path, stat)

    @property
    def _device(self) -> int:
        return self._trail[0].identity[0]

    def _cannot(self, parent: _Folder, path: str, why: str) -> None:
        parent.keeps = True
        self._unreadable.append((path, why))

    def _enter(self, parent: _Folder, path: str, stat: Stat) -> None:
        identity = (stat.device, stat.inode)
        if any(identity == folder.identity for folder in self._trail):
            self._cannot(parent, path, "a folder that leads back to one above it")
            return
        if len(self._trail) > DEEPEST:
            self._cannot(parent, path, f"more than {DEEPEST} folders deep")
            return
        try:
            names = self._names(self._absolute(path))
        except OSError as error:
            self._cannot(parent, path, _told(error))
            return
        litter = parent.litter or folder_litter(path)
        unused = "folder for rescued files, empty" if path == LOST_AND_FOUND and not names else None
        self._trail.append(
            _Folder(
                path=path, identity=identity, waiting=names, litter=litter, only_if_empty=unused
            )
        )

    def _take(self, parent: _Folder, path: str, stat: Stat) -> None:
        reason = parent.litter or file_litter(path)
        if reason is not None and not (parent.litter and is_clip(path)):
            parent.left_out.append((path, reason))
            return
        if parent.litter:
            self._warnings.append(
                f"{path} lies in a system's folder ({parent.litter}); it is kept as footage."
            )
        parent.keeps = True
        self._entries.append(CardEntry(path=path, size=stat.size, mtime_ns=stat.mtime_ns))

    def _leave(self, folder: _Folder, parent: _Folder) -> None:
        reason = folder.litter or folder.only_if_empty
        if reason is not None and not folder.keeps:
            # Told once, as a whole: nothing in it is part of the card's content.
            parent.left_out.append((folder.path, reason))
            return
        parent.left_out.extend(folder.left_out)
        if not folder.keeps:
            self._empty.append(folder.path)
        parent.keeps = True


def _told(error: OSError) -> str:
    return f"can't be read ({errno.errorcode.get(error.errno or 0, 'unknown error')})"


def _tree_order(path: str) -> tuple[bytes, ...]:
    return tuple(os.fsencode(path).split(b"/"))
