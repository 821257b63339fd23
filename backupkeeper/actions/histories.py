"""A roll's manifest history at one place: written on arrival, continued by every check.

Promises:
1. A manifest is durable and read back before the chain names it.
2. Each place has its own generations; nothing is copied from another place's history.
3. A history that can't be believed is told and left as it is, never mended or renumbered.
4. A manifest names as ``original`` or ``verified`` only what a fact shows to be on this medium.
"""

import errno
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from backupkeeper.actions.context import Context
from backupkeeper.actions.encrypted_lists import send_lists
from backupkeeper.actions.encrypting_bucket import EncryptingBucket
from backupkeeper.actions.online import OnlineDrive
from backupkeeper.actions.reading import read_small
from backupkeeper.actions.unfinished import drop_temporaries, name_last_manifest
from backupkeeper.actions.whose_history import ANOTHERS, is_another_rolls, tells_all
from backupkeeper.cards.leaveout import mhl_ignore_patterns
from backupkeeper.core.errors import BackupkeeperError, DeviceError, ManifestError, OutOfReachError
from backupkeeper.core.fitting import fit_names, possible_paths
from backupkeeper.core.model import Blake3, Content, Fact, Place, Result, Roll, RollFile, Way
from backupkeeper.core.naming import POSIX, FsLimits, limits_of
from backupkeeper.core.outcomes import Trouble
from backupkeeper.manifests.mhl_chain import CHAIN_LIMIT_BYTES, extend_chain
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
from backupkeeper.transfer.coldread import ColdReading
from backupkeeper.transfer.durable import make_folders, replace_own, write_small


class CheckRun(Protocol):
    """What ``record_check`` tells a running ``verify``."""

    manifests: list[str]
    manifest_faults: list[Trouble]
    troubles: list[Trouble]


@dataclass(frozen=True, kw_only=True, slots=True)
class _Entry:
    """One original at this place: its path below the roll's folder there, and what it is."""

    path: str
    file: RollFile
    content: Content
    is_right: bool
    computed: Mapping[str, str] | None = None
    """What a copy that is not right hashed to, by format: the value of a ``failed`` record."""


def record_arrival(
    context: Context,
    drive: OnlineDrive,
    roll: Roll,
    *,
    pending: Sequence[Fact] = (),
    process: Process = Process.TRANSFER,
    unwritten: list[str] | None = None,
) -> list[str]:
    """The first generation of a roll at a drive, once all its files are there.

    Args:
        context: the world.
        drive: where they are.
        roll: sealed, or about to be.
        pending: facts about this drive that were seen, and will be recorded right after this.
        process: whether the files were brought there, or hashed where they were.
        unwritten: where the sentence goes that says that there is no manifest; None: with the others.

    Returns:
        Sentences for the person, also where something went wrong: the footage is there all the
        same, and ``verify`` continues the history.
    """
    known = context.catalog.facts_at(drive.place.id, below=roll.head.folder)
    entries = _entries(context, roll, _latest([*known, *pending]))
    if len(entries) < len(roll.files) or not all(entry.is_right for entry in entries):
        return []
    try:
        history = _read_finished(context, drive, roll, pending)
        if history is not None and tells_all(history, {e.path: e.content.xxh128 for e in entries}):
            return []
        if history is not None and is_another_rolls(context, roll, history):
            folder = drive.absolute(roll.head.folder)
            return [f"{folder} got no manifest of {roll.head.folder}: {ANOTHERS}"]
        name, unlisted = _append(context, drive, roll, entries, history, process, whole=True)
    except BackupkeeperError as error:
        said = f"{drive.place.name}: the manifest of {roll.head.folder} was not written: {error}"
        if unwritten is None:
            return [said]
        unwritten.append(said)
        return []
    return [
        f"{drive.place.name}: {name} can't list {path} as it is called; its hashes stand below "
        "metadata there."
        for path in unlisted
    ]


def record_check(
    context: Context,
    drive: OnlineDrive,
    roll: Roll,
    read: Sequence[tuple[Fact, ColdReading | None]],
    run: CheckRun,
    *,
    whole: bool,
) -> None:
    """A further generation with what ``verify`` just read cold; faults of the history are told.

    A file that is missing or unreadable has no record: the standard knows none for it. A history of another
    roll, whose folder somebody put there, is left as it is.
    """
    readings = {fact.path: reading for fact, reading in read if reading and reading.cold}
    told = {
        fact.path: fact
        for fact, _ in read
        if fact.path in readings and fact.result not in {Result.UNREADABLE, Result.MISSING}
    }
    entries = [
        entry
        if entry.is_right
        else replace(
            entry,
            computed={"xxh128": readings[f"{roll.head.folder}/{entry.path}"].xxh128},
        )
        for entry in _entries(context, roll, told)
    ]
    try:
        history = _read_finished(context, drive, roll)
        if history is not None:
            run.manifest_faults += [
                Trouble(
                    place=drive.place.name,
                    path=f"{roll.head.folder}/{FOLDER}/{fault.path}",
                    message=fault.message,
                )
                for fault in history.faults
            ]
            if history.faults:
                return
            _contradictions(drive, roll, history, entries, run)
        if not entries or (history is not None and is_another_rolls(context, roll, history)):
            return
        complete = whole and sum(entry.is_right for entry in entries) == len(roll.files)
        name, _ = _append(context, drive, roll, entries, history, Process.IN_PLACE, whole=complete)
        run.manifests.append(f"{drive.place.name}: {roll.head.folder}/{FOLDER}/{name}")
    except OutOfReachError:
        raise
    except DeviceError as error:
        message = f"The manifest was not written: {error}"
        run.troubles.append(Trouble(place=drive.place.name, path=roll.head.folder, message=message))
    except BackupkeeperError as error:
        path = f"{roll.head.folder}/{FOLDER}"
        run.manifest_faults.append(Trouble(place=drive.place.name, path=path, message=str(error)))


def _contradictions(
    drive: OnlineDrive,
    roll: Roll,
    history: History,
    entries: Iterable[_Entry],
    run: CheckRun,
) -> None:
    """Manifests that say another hash than the catalog of a copy that is as the catalog says."""
    for entry in entries:
        said = history.reference.get(entry.path, {}).get("xxh128")
        if entry.is_right and said is not None and said != entry.content.xxh128:
            run.manifest_faults.append(
                Trouble(
                    place=drive.place.name,
                    path=f"{roll.head.folder}/{entry.path}",
                    message="The manifest has another hash for this file than the catalog, "
                    "and the file is as the catalog says.",
                )
            )


def send_manifest(
    context: Context, bucket: Bucket, place: Place, roll: Roll, troubles: list[Trouble]
) -> bool:
    """The roll's manifest and chain in a bucket that has all its files; whether they stand there."""
    facts = _latest(context.catalog.facts_at(place.id, below=roll.head.folder))
    proven = {path: fact for path, fact in facts.items() if fact.way is not Way.WRITTEN}
    entries = _entries(context, roll, proven)
    folder = f"{roll.head.folder}/{FOLDER}"
    if len(entries) < len(roll.files) or not all(entry.is_right for entry in entries):
        return False
    try:
        if bucket.look(f"{folder}/{CHAIN_NAME}") is not None:
            return True
        number = 1
        generation = _generation(
            context,
            roll,
            entries,
            (number, Process.TRANSFER),
            folders=_folders(roll, POSIX),
            ignore=(),
            whole=True,
        )
        data, _ = build_manifest(generation)
        name = manifest_name(number, generation.folder_name, generation.started_at)
        if isinstance(bucket, EncryptingBucket):
            send_lists(context, bucket, place, roll)
        bucket.send_small(f"{folder}/{name}", data)
        bucket.send_small(f"{folder}/{CHAIN_NAME}", extend_chain(None, name, data))
    except OutOfReachError:
        raise
    except BackupkeeperError as error:
        troubles.append(Trouble(place=place.name, path=folder, message=str(error)))
        return False
    return True


def _latest(facts: Iterable[Fact]) -> dict[str, Fact]:
    """The newest fact of each path that speaks of bytes (a look does not)."""
    latest: dict[str, Fact] = {}
    for fact in facts:
        if fact.way is Way.LOOKED and fact.result is Result.MATCHES:
            continue
        if fact.path not in latest or latest[fact.path].at <= fact.at:
            latest[fact.path] = fact
    return latest


def _entries(context: Context, roll: Roll, facts: Mapping[str, Fact]) -> list[_Entry]:
    homes = possible_paths(roll.head.folder, [*(f.path for f in roll.files), *roll.folders])
    contents: Mapping[Blake3, Content] = context.catalog.contents(f.content for f in roll.files)
    cut = len(roll.head.folder) + 1
    entries = []
    for file in roll.files:
        for home in homes[file.path]:
            fact = facts.get(home)
            if fact is not None and fact.content == file.content:
                entries.append(
                    _Entry(
                        path=home[cut:],
                        file=file,
                        content=contents[file.content],
                        is_right=fact.result is Result.MATCHES,
                    )
                )
                break
    return entries


def history_at(context: Context, drive: OnlineDrive, folder: str) -> History | None:
    """The history in a folder with its faults, or None. ManifestError: it can't be looked at."""
    where = drive.absolute(f"{folder}/{FOLDER}")
    if not drive.stays_on(f"{folder}/{FOLDER}"):
        raise ManifestError(f"{where} leads off the drive, through a link or another mount.")
    try:
        names = [name for name, _ in context.files.list(where)]
    except OSError as error:
        if error.errno in {errno.ENOENT, errno.ENOTDIR}:
            return None
        raise ManifestError(f"{where} can't be read ({error.strerror}).") from error
    return read_history(
        names, lambda name: read_small(context.files, f"{where}/{name}", MANIFEST_LIMIT_BYTES)
    )


def _read_finished(
    context: Context, drive: OnlineDrive, roll: Roll, pending: Iterable[Fact] = ()
) -> History | None:
    """The history, after a manifest that a kill left beside the chain was named in it."""
    folder = roll.head.folder
    history = history_at(context, drive, folder)
    if history is None or not history.unlisted:
        return history
    facts = _latest([*context.catalog.facts_at(drive.place.id, below=folder), *pending])
    known = {entry.path: entry.content.xxh128 for entry in _entries(context, roll, facts)}
    where = drive.absolute(f"{folder}/{FOLDER}")
    is_named = name_last_manifest(context, drive.guard, where, history, known)
    return history_at(context, drive, folder) if is_named else history


def _append(
    context: Context,
    drive: OnlineDrive,
    roll: Roll,
    entries: Sequence[_Entry],
    history: History | None,
    process: Process,
    *,
    whole: bool,
) -> tuple[str, tuple[str, ...]]:
    """Write the next generation, then the chain that names it."""
    if history is not None and history.faults:
        raise ManifestError(history.faults[0].message)
    folder = f"{roll.head.folder}/{FOLDER}"
    where = drive.absolute(folder)
    number = len(history.chain) + 1 if history is not None else 1
    generation = _generation(
        context,
        roll,
        entries,
        (number, process),
        folders=_folders(roll, limits_of(drive.info.mount.fs_type)),
        ignore=history.ignore if history is not None else (),
        whole=whole,
        known=history.reference if history is not None else {},
    )
    data, unlisted = build_manifest(generation)
    name = manifest_name(number, generation.folder_name, generation.started_at)
    make_folders(context.files, drive.root, folder, drive.guard)
    drop_temporaries(context, where)
    write_small(context.files, f"{where}/{name}", data, drive.guard)
    chain = _chain_bytes(context, f"{where}/{CHAIN_NAME}")
    replace_own(
        context.files, f"{where}/{CHAIN_NAME}", extend_chain(chain, name, data), drive.guard
    )
    return name, unlisted


def _chain_bytes(context: Context, path: str) -> bytes | None:
    try:
        return read_small(context.files, path, CHAIN_LIMIT_BYTES)
    except DeviceError as error:
        if error.number == errno.ENOENT:
            return None
        raise


def _generation(
    context: Context,
    roll: Roll,
    entries: Sequence[_Entry],
    which: tuple[int, Process],
    *,
    folders: tuple[str, ...],
    ignore: Iterable[str],
    whole: bool,
    known: Mapping[str, Mapping[str, str]] | None = None,
) -> Generation:
    settings = context.config.manifest
    files = []
    for entry in sorted(entries, key=lambda entry: entry.path):
        before = (known or {}).get(entry.path)
        files.append(
            ManifestFile(
                path=entry.path,
                size=entry.content.size,
                mtime_ns=entry.file.mtime_ns,
                hashes=entry.computed or _hashes(entry.content, first=before is None),
                action=_action(entry, first=before is None),
                blake3=entry.content.blake3 if entry.is_right else None,
            )
        )
    return Generation(
        number=which[0],
        folder_name=roll.head.folder.rpartition("/")[2],
        started_at=context.clock.now(),
        process=which[1],
        hostname=context.hostname,
        tool_version=context.version,
        files=tuple(files),
        folders=folders,
        ignore=(*ignore, *mhl_ignore_patterns(roll.left_out)),
        whole=whole,
        author=settings.author,
        location=settings.location,
        comment=settings.comment,
    )


def _hashes(content: Content, *, first: bool) -> dict[str, str]:
    """Later readings compute ``xxh128`` only; the first has all that the one read gave."""
    further = dict(content.digests) if first else {}
    return {"xxh128": content.xxh128, **further}


def _action(entry: _Entry, *, first: bool) -> Action:
    if not entry.is_right:
        return Action.FAILED
    return Action.ORIGINAL if first else Action.VERIFIED


def _folders(roll: Roll, limits: FsLimits) -> tuple[str, ...]:
    """The roll's empty folders as they are called at a place."""
    names = fit_names([*(file.path for file in roll.files), *roll.folders], limits)
    return tuple(names[folder] for folder in roll.folders)
