"""The manifests of a restored roll: brought from where it was, so that it can be checked by itself.

Promises:
1. A history is brought only as a whole, every manifest as its chain says, and only where it has every
   file of the roll by the name that it has here and with the hash that the catalog knows.
2. Where no place has such a one, a first generation is written from what was just read back.
3. A history that stands there already is never written over.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import partial

from backupkeeper.actions.context import Context
from backupkeeper.actions.reading import read_small
from backupkeeper.actions.restore_plan import Around, RollTasks
from backupkeeper.cards.leaveout import mhl_ignore_patterns
from backupkeeper.core.errors import BackupkeeperError, HostileInputError, NameTakenError
from backupkeeper.core.model import Blake3, Content
from backupkeeper.manifests.mhl_chain import extend_chain
from backupkeeper.manifests.mhl_history import read_history
from backupkeeper.manifests.mhl_model import (
    CHAIN_NAME,
    FOLDER,
    Action,
    Generation,
    History,
    ManifestFile,
    Process,
)
from backupkeeper.manifests.mhl_read import MANIFEST_LIMIT_BYTES
from backupkeeper.manifests.mhl_write import build_manifest, manifest_name
from backupkeeper.ports.bucket import Bucket
from backupkeeper.ports.files import EntryKind
from backupkeeper.transfer.durable import write_small


@dataclass(frozen=True, kw_only=True, slots=True)
class Brought:
    """Whether there is a history now, and sentences about what is not as it should be.

    ``made``: it is a first generation, of what was just read back here.
    """

    brought: bool
    made: bool = False
    notes: tuple[str, ...] = ()


def bring_history(context: Context, around: Around, roll: RollTasks, *, is_whole: bool) -> Brought:
    """Bring the history of a roll.

    Args:
        context: the world.
        around: the places that may be asked.
        roll: asked for as a whole.
        is_whole: whether all its files are there now, right; else no new history is written.

    Raises:
        OutOfReachError: the folder's drive is gone.
    """
    target = around.target
    where = f"{roll.folder}/{FOLDER}"
    contents = context.catalog.contents(file.content for file in roll.now.roll.files)
    wanted = {roll.names[file.path]: contents[file.content].xxh128 for file in roll.now.roll.files}
    try:
        names, read = history_files(context, target.absolute(where))
        there = read_history(names, read)
        if there is not None and not there.faults and _tells(there, wanted):
            return Brought(brought=True)
        found = _found(context, around, roll.now.roll.head.folder, wanted)
        if found is None and not is_whole:
            told = f"{roll.folder}: no place that can be asked has its manifests."
            return Brought(brought=False, notes=(told,))
        made = found or _made(context, roll, contents)
        target.make(context.files, where)
        for name, data in made:
            write_small(context.files, target.absolute(f"{where}/{name}"), data, target.guard)
    except NameTakenError as error:
        return Brought(
            brought=False, notes=(f"{roll.folder}: other manifests stand there. {error}",)
        )
    except BackupkeeperError as error:
        return Brought(
            brought=False, notes=(f"{roll.folder}: its manifests were not brought: {error}",)
        )
    return Brought(brought=True, made=found is None)


def _tells(history: History, wanted: Mapping[str, str]) -> bool:
    return all(
        history.reference.get(path, {}).get("xxh128") == said for path, said in wanted.items()
    )


_Named = list[tuple[str, bytes]]


def _found(
    context: Context, around: Around, folder: str, wanted: Mapping[str, str]
) -> _Named | None:
    """The files of a history that can be believed, in the order to write them; None: there is none."""
    for names, read in _everywhere(context, around, folder):
        kept: dict[str, bytes] = {}

        def reading(
            name: str, read: Callable[[str], bytes] = read, kept: dict[str, bytes] = kept
        ) -> bytes:
            kept[name] = read(name)
            return kept[name]

        try:
            history = read_history(names, reading)
        except BackupkeeperError:
            continue
        if history is None or history.faults or not _tells(history, wanted):
            continue
        order = [*(entry.name for entry in history.chain), CHAIN_NAME]
        return [(name, kept[name]) for name in order]
    return None


def _everywhere(
    context: Context, around: Around, folder: str
) -> Iterator[tuple[list[str], Callable[[str], bytes]]]:
    where = f"{folder}/{FOLDER}"
    for drive in around.drives.values():
        if drive.stays_on(where):
            yield history_files(context, drive.absolute(where))
    for place, bucket in around.buckets.items():
        try:
            yield history_in(bucket, where)
        except BackupkeeperError as error:
            around.away[place] = f"{around.name(place)}: {error}"


def history_in(bucket: Bucket, where: str) -> tuple[list[str], Callable[[str], bytes]]:
    """Names in a bucket's ``ascmhl`` folder, and what fetches one of them, for ``read_history``.

    Raises:
        BackupkeeperError: the bucket does not answer.
    """
    entries = {
        entry.key.removeprefix(f"{where}/"): entry.size for entry in bucket.listing(f"{where}/")
    }
    return [name for name in entries if "/" not in name], partial(_fetched, bucket, where, entries)


def history_files(context: Context, where: str) -> tuple[list[str], Callable[[str], bytes]]:
    """Names in a local ``ascmhl`` folder, and what reads one of them, for ``read_history``."""
    try:
        names = [name for name, kind in context.files.list(where) if kind is EntryKind.FILE]
    except OSError:
        names = []
    return names, lambda name: read_small(context.files, f"{where}/{name}", MANIFEST_LIMIT_BYTES)


def _fetched(bucket: Bucket, where: str, sizes: Mapping[str, int], name: str) -> bytes:
    if sizes.get(name, 0) > MANIFEST_LIMIT_BYTES:
        raise HostileInputError(f"{name} is longer than any manifest.")
    data = bytearray()
    for block in bucket.fetch(f"{where}/{name}"):
        data += block
        if len(data) > MANIFEST_LIMIT_BYTES:
            raise HostileInputError(f"{name} is longer than any manifest.")
    return bytes(data)


def _made(context: Context, roll: RollTasks, contents: Mapping[Blake3, Content]) -> _Named:
    """A first generation for what was just read back here."""
    generation = generation_of(context, roll, contents, Process.TRANSFER, context.clock.now())
    data, _ = build_manifest(generation)
    name = manifest_name(1, generation.folder_name, generation.started_at)
    return [(name, data), (CHAIN_NAME, extend_chain(None, name, data))]


def generation_of(
    context: Context,
    roll: RollTasks,
    contents: Mapping[Blake3, Content],
    process: Process,
    started_at: datetime,
) -> Generation:
    """All of a roll, as it was just read back here, as a first generation."""
    settings, sealed = context.config.manifest, roll.now.roll
    files = tuple(
        ManifestFile(
            path=roll.names[file.path],
            size=file.size,
            mtime_ns=file.mtime_ns,
            hashes={
                "xxh128": contents[file.content].xxh128,
                **contents[file.content].digests,
            },
            action=Action.ORIGINAL,
            blake3=file.content,
        )
        for file in sorted(sealed.files, key=lambda file: roll.names[file.path])
    )
    return Generation(
        number=1,
        folder_name=roll.folder.rpartition("/")[2],
        started_at=started_at,
        process=process,
        hostname=context.hostname,
        tool_version=context.version,
        files=files,
        folders=tuple(roll.names[folder] for folder in sealed.folders),
        ignore=tuple(mhl_ignore_patterns(sealed.left_out)),
        whole=True,
        author=settings.author,
        location=settings.location,
        comment=settings.comment,
    )
