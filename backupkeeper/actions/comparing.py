"""``compare``: two drives, or two folders, held against each other.

Promises:
1. Nothing is written, neither to the two nor about them: no fact comes of it.
2. Without reading, what a file's content is says the catalog, and only of a copy that was proven,
   and has the size and time that it had then; of every other file the content is not known.
3. With reading, every byte of both is read, and the catalog is not asked.
"""

import os.path
from collections.abc import Iterable, Iterator, Sequence
from contextlib import nullcontext
from dataclasses import dataclass, field, replace

from backupkeeper.actions.changes import is_within
from backupkeeper.actions.context import Context
from backupkeeper.actions.online import (
    OWN_FOLDER,
    OnlineDrive,
    holding,
    online,
    online_drives,
    place_holding,
    relative_to,
)
from backupkeeper.cards.walk import list_card
from backupkeeper.core.comparing import Compared, Seen, Side, compare
from backupkeeper.core.errors import (
    BackupkeeperError,
    DriveGoneError,
    OutOfReachError,
    ReadError,
    UsageError,
)
from backupkeeper.core.model import (
    Blake3,
    CardEntry,
    Copy,
    CopyState,
    Place,
    PlaceKind,
    RollFile,
    RollId,
)
from backupkeeper.core.named import place_named
from backupkeeper.core.policy import copies_of
from backupkeeper.core.taking import same_time
from backupkeeper.core.typed import typed
from backupkeeper.manifests.mhl_model import FOLDER
from backupkeeper.ports.files import EntryKind
from backupkeeper.ports.progress import Progress
from backupkeeper.transfer.coldpolicy import cold_policy
from backupkeeper.transfer.coldread import ColdReader, SoFar
from backupkeeper.transfer.durable import is_temp_name
from backupkeeper.transfer.hashing import Hasher

SHOWN = frozenset({CopyState.PROVEN, CopyState.DUE})


@dataclass(kw_only=True)
class _Tree:
    """One of the two. ``drive`` is the place that it lies on, if it is one that is here."""

    side: Side
    drive: OnlineDrive | None
    below: str = ""
    """Where on the drive its root is."""
    entries: list[CardEntry] = field(default_factory=list)
    left_out: int = 0
    unread: list[tuple[str, str]] = field(default_factory=list)
    not_cold: str = ""


def compare_two(
    context: Context, one: str, two: str, progress: Progress, *, read: bool = False
) -> Compared:
    """Compare two places that are here, or two folders.

    Args:
        context: the world.
        one: a place's name, or an absolute path, links resolved.
        two: the other one.
        progress: told as it goes.
        read: read every byte of both.

    Raises:
        UsageError: one is neither; or they are the same, or one lies in the other; or it is a bucket.
        OutOfReachError: a place is not here, or went; or another program is at work on it.
        ReadError, ListingError: one can't be listed.
    """
    first, second = _tree(context, one), _tree(context, two)
    _must_be_two(first.side, second.side)
    drives = [tree.drive for tree in (first, second) if tree.drive is not None]
    with holding(context, drives, doing="comparing") if read else nullcontext():
        for tree in (first, second):
            _list(context, tree, progress)
        look = _read if read else _known
        found = compare(
            (first.side, second.side),
            look(context, first, progress),
            look(context, second, progress),
            is_read=read,
        )
        for drive in drives:
            drive.guard()
    progress.end()
    return replace(
        found,
        left_out=(first.left_out, second.left_out),
        unread=(tuple(first.unread), tuple(second.unread)),
        not_cold=first.not_cold or second.not_cold,
    )


def _tree(context: Context, what: str) -> _Tree:
    """What is meant: a path is absolute, everything else a place's name."""
    if not os.path.isabs(what):
        place = place_named(context.catalog.places(), what)
        if place.kind is PlaceKind.BUCKET:
            raise UsageError(
                f"{place.name} is a bucket; drives and folders can be compared.",
                advice=f"What is in it is read by: backupkeeper verify {typed(place.name)}",
            )
        found = online(context, place)
        if not isinstance(found, OnlineDrive):
            raise OutOfReachError(found)
        return _Tree(side=Side(name=place.name, root=found.root), drive=found)
    try:
        is_folder = context.files.stat(what).kind is EntryKind.FOLDER
    except OSError as error:
        raise UsageError(f"There is nothing at {what}.", advice="Is it mounted?") from error
    if not is_folder:
        raise UsageError(f"{what} is no folder.")
    drive = place_holding(online_drives(context)[0], what)
    below = relative_to(drive, what) if drive is not None else ""
    return _Tree(side=Side(name=what, root=what), drive=drive, below=below)


def _must_be_two(one: Side, two: Side) -> None:
    a, b = (f"{side.root.rstrip('/')}/" for side in (one, two))
    if a == b:
        raise UsageError(f"{one.name} and {two.name} are one and the same folder.")
    if a.startswith(b) or b.startswith(a):
        raise UsageError(f"One of {one.name} and {two.name} lies in the other.")


def _list(context: Context, tree: _Tree, progress: Progress) -> None:
    """Everything below it but what is ours: manifests differ from place to place, and must."""
    progress.note(f"Looking through {tree.side.name}")
    listing = list_card(context.files, tree.side.root)
    for entry in listing.files:
        if _is_ours(tree, entry.path):
            tree.left_out += 1
        else:
            tree.entries.append(entry)
    tree.left_out += len(listing.left_out)
    tree.unread += [one for one in listing.unreadable if not _is_ours(tree, one[0])]
    tree.unread += [one for one in listing.specials if not _is_ours(tree, one[0])]


def _is_ours(tree: _Tree, path: str) -> bool:
    parts = [*tree.below.split("/"), *path.split("/")]
    return OWN_FOLDER in parts or FOLDER in parts[:-1] or is_temp_name(parts[-1])


def _known(context: Context, tree: _Tree, _progress: Progress) -> Iterable[Seen]:
    """Files with the content that the catalog knows them to have."""
    above = f"{tree.below}/" if tree.below else ""
    entries = {above + entry.path: entry for entry in tree.entries}
    contents = dict[str, Blake3 | None]()
    for path, file in _expected(context, tree):
        entry = entries.get(path)
        if entry and file.size == entry.size and same_time(file.mtime_ns, entry.mtime_ns):
            # Two for one name: nobody knows which of them it is.
            is_one = contents.setdefault(path, file.content) == file.content
            contents[path] = file.content if is_one else None
    for path, entry in entries.items():
        yield Seen(path=entry.path, size=entry.size, content=contents.get(path))


def _expected(context: Context, tree: _Tree) -> Iterator[tuple[str, RollFile]]:
    """By path on the drive: files of rolls of which the copy there was proven, and not bad since.

    A drive may have a roll under its own paths, so what is asked is which copies it has.
    """
    if tree.drive is None:
        return
    place = tree.drive.place
    # Roll by roll, so that memory holds the facts of one.
    for ident in _rolls_in(context, place, tree.below):
        files = dict[Blake3, list[RollFile]]()
        for file in context.catalog.roll(ident).files:
            files.setdefault(file.content, []).append(file)
        for copy in _shown(context, place, ident):
            if is_within(copy.path, tree.below):
                yield from ((copy.path, file) for file in files[copy.content])


def _rolls_in(context: Context, place: Place, below: str) -> Sequence[RollId]:
    """Rolls of which anything may lie in a folder of a place."""
    if not below:
        return [head.id for head in context.catalog.rolls()]
    here = {fact.content for fact in context.catalog.facts_at(place.id, below=below)}
    return sorted(context.catalog.rolls_with(here))


def _shown(context: Context, place: Place, roll: RollId) -> Iterator[Copy]:
    facts = (fact for fact in context.catalog.facts_of_roll(roll) if fact.place == place.id)
    now = context.clock.now()
    for group in copies_of(facts, {place.id: place}, context.config.policy, now).values():
        yield from (copy for copy in group if copy.state in SHOWN)


def _read(context: Context, tree: _Tree, progress: Progress) -> Sequence[Seen]:
    """Files with the content that reading them shows; what can't be read is told, and unknown."""
    progress.begin(
        f"Reading {tree.side.name}",
        total_bytes=sum(entry.size for entry in tree.entries),
        total_files=len(tree.entries),
    )
    mount = context.mounts.under(tree.side.root)
    device = context.mounts.inspect(mount).block_device
    policy = cold_policy(mount.fs_type, device, stopwatch=context.clock.monotonic)
    reader = ColdReader(context.files, policy)
    found = []
    for entry in tree.entries:
        progress.file(entry.path)
        found.append(_hashed(tree, entry, reader, progress))
        progress.advance(0, files=1)
    return found


def _hashed(tree: _Tree, entry: CardEntry, reader: ColdReader, progress: Progress) -> Seen:
    hasher = Hasher()
    unknown = Seen(path=entry.path, size=entry.size, content=None)
    try:
        reading = reader.read_on(
            f"{tree.side.root.rstrip('/')}/{entry.path}",
            SoFar(hasher=hasher),
            progress.advance,
            lambda: False,
        )
    except DriveGoneError:
        raise
    except (ReadError, BackupkeeperError) as error:
        tree.unread.append((entry.path, error.message))
        return unknown
    if reading is None or reading.unreadable:
        tree.unread.append((entry.path, "Some of its bytes can't be read."))
        return unknown
    if not reading.cold:
        tree.not_cold = reading.why_not_cold
    content = hasher.content()
    return Seen(path=entry.path, size=content.size, content=content.blake3)
