"""Rolls in a bucket of which only the manifests there tell, taken in by fetching them back.

Promises:
1. Every object is fetched whole and must be what the manifests say; then it is a proof
   (``downloaded``). One that is not, or is not there, leaves the roll unknown, and is told.
2. Nothing in the bucket is changed.
3. Interrupted, the same call goes on: an object that was fetched, and is still the same one, is not
   fetched again. The roll is sealed last.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from backupkeeper.actions.changes import KnownFolders
from backupkeeper.actions.context import Context
from backupkeeper.actions.found_history import FoundHistory
from backupkeeper.actions.offload import ROLL_NAMES
from backupkeeper.actions.online import holding_places
from backupkeeper.core.errors import (
    HostileInputError,
    ManifestError,
    UsageError,
)
from backupkeeper.core.model import (
    Content,
    Fact,
    Place,
    Result,
    Roll,
    RollFile,
    RollHead,
    Way,
)
from backupkeeper.core.naming import parse_roll_folder, roll_id
from backupkeeper.manifests.formats import BLAKE3
from backupkeeper.manifests.mhl_history import read_history
from backupkeeper.manifests.mhl_model import CHAIN_NAME, FOLDER, History
from backupkeeper.manifests.mhl_read import MANIFEST_LIMIT_BYTES
from backupkeeper.ports.bucket import Bucket, ObjectEntry
from backupkeeper.ports.progress import Progress
from backupkeeper.transfer.hashing import FURTHER_DIGESTS, Hasher

MOST_NS = (1 << 63) - 1


@dataclass(frozen=True, kw_only=True, slots=True)
class ObjectRoll:
    """A roll by its manifests: its files' times, its empty folders, the objects, what is said of each.

    ``why``: a sentence where it can't be taken in.
    """

    folder: str
    bucket: Bucket
    files: Mapping[str, int] = field(default_factory=dict)
    """Path below the folder -> time (nanoseconds)."""
    folders: tuple[str, ...] = ()
    entries: Mapping[str, ObjectEntry] = field(default_factory=dict)
    history: FoundHistory
    why: str = ""


def object_rolls(context: Context, bucket: Bucket) -> Iterator[ObjectRoll]:
    """Every folder laid out like a roll's, with a manifest history, that no roll knows.

    Raises:
        BucketUnreachableError: the store does not answer.
        ListingError: it lists what can't be.
    """
    known = KnownFolders(context)
    found: dict[str, dict[str, ObjectEntry]] = {}
    for entry in bucket.listing():
        folder = _roll_above(context.config.layout.roll, entry.key)
        if folder is not None and not known.has(folder):
            found.setdefault(folder, {})[entry.key.removeprefix(f"{folder}/")] = entry
    for folder, entries in found.items():
        if f"{FOLDER}/{CHAIN_NAME}" in entries:
            yield _object_roll(bucket, folder, entries)


def _roll_above(template: str, key: str) -> str | None:
    """The roll's folder that a key lies below."""
    parts = key.split("/")
    count = template.count("/") + 1
    folder = "/".join(parts[:count])
    if len(parts) <= count or parse_roll_folder(template, folder) is None:
        return None
    return folder


def _object_roll(bucket: Bucket, folder: str, entries: Mapping[str, ObjectEntry]) -> ObjectRoll:
    within = f"{FOLDER}/"
    names = [path.removeprefix(within) for path in entries if path.startswith(within)]
    history = read_history(names, lambda name: _small(bucket, f"{folder}/{within}{name}"))
    if history is None:
        return ObjectRoll(
            folder=folder, bucket=bucket, history=FoundHistory(folder=folder), why="No manifest."
        )
    said = {path: dict(digests) for path, digests in history.reference.items()}
    for path, text in history.blake3.items():
        said.setdefault(path, {})[BLAKE3] = text
    times = _times(history)
    files = {path: times.get(path, 0) for path in said}
    why = f"Its manifests can't be believed: {history.faults[0].message}." if history.faults else ""
    gone = [
        path
        for path in sorted(files)
        if path not in entries or entries[path].size != history.sizes.get(path, entries[path].size)
    ]
    if gone and not why:
        why = f"{len(gone)} of its files are not there, or of another size, such as {gone[0]}."
    return ObjectRoll(
        folder=folder,
        bucket=bucket,
        files=files,
        folders=_empty_folders(history, files),
        entries={path: entries[path] for path in files if path in entries},
        history=FoundHistory(folder=folder, said=said),
        why=why,
    )


def _small(bucket: Bucket, key: str) -> bytes:
    data = bytearray()
    for block in bucket.fetch(key):
        data += block
        if len(data) > MANIFEST_LIMIT_BYTES:
            raise HostileInputError(f"{key} is longer than a manifest may be.")
    return bytes(data)


def _times(history: History) -> dict[str, int]:
    """Of each file the time that its first manifest tells."""
    times: dict[str, int] = {}
    for manifest in history.manifests.values():
        for file in manifest.files:
            if file.mtime_ns is not None and abs(file.mtime_ns) <= MOST_NS:
                times.setdefault(file.path, file.mtime_ns)
    return times


def _empty_folders(history: History, files: Mapping[str, int]) -> tuple[str, ...]:
    named = {one.path for manifest in history.manifests.values() for one in manifest.folders}
    return tuple(
        sorted(
            folder
            for folder in named
            if folder and not any(path.startswith(f"{folder}/") for path in (*files, *named))
        )
    )


def adopt_objects(context: Context, place: Place, roll: ObjectRoll, progress: Progress) -> Roll:
    """Fetch a roll back and take it in.

    Raises:
        UsageError: its folder is a roll's by now.
        ManifestError: an object is not what the manifests say.
        BucketUnreachableError: the store does not answer; what was fetched is recorded.
        PlaceHeldError: another program of ours is at work on the bucket.
    """
    with holding_places(context, [place], doing=f"taking in {roll.folder}"):
        progress.begin(
            f"Fetching back {roll.folder} from {place.name}",
            total_bytes=sum(entry.size for entry in roll.entries.values()),
            total_files=len(roll.files),
        )
        before = _fetched_before(context, place, roll)
        files = []
        for path in sorted(roll.files):
            progress.file(path)
            content = _read(context, place, roll, path, before, progress)
            files.append(
                RollFile(
                    path=path,
                    content=content.blake3,
                    size=content.size,
                    mtime_ns=roll.files[path],
                )
            )
            progress.advance(0, files=1)
        progress.end()
        with context.locks.hold(
            ROLL_NAMES, called="another card", doing=f"taking in {roll.folder}"
        ):
            if KnownFolders(context).has(roll.folder):
                raise UsageError(f"{roll.folder} belongs to a roll already.")
            return _seal(context, roll, tuple(files))


def _fetched_before(context: Context, place: Place, roll: ObjectRoll) -> dict[str, Fact]:
    return {
        fact.path: fact
        for fact in context.catalog.facts_at(place.id, below=roll.folder)
        if fact.way is Way.DOWNLOADED and fact.is_proof
    }


def _read(
    context: Context,
    place: Place,
    roll: ObjectRoll,
    path: str,
    before: Mapping[str, Fact],
    progress: Progress,
) -> Content:
    key = f"{roll.folder}/{path}"
    entry = roll.bucket.look(key)
    if entry is None:
        raise ManifestError(f"{key} is not in the bucket any more.")
    last = before.get(key)
    if last is not None and last.version == entry.mark:
        known = context.catalog.contents([last.content]).get(last.content)
        if known is not None and roll.history.agrees(path, known):
            return known
    wanted = {form for form in roll.history.said[path] if form in FURTHER_DIGESTS}
    hasher = Hasher(sorted(wanted | set(context.config.manifest.formats) & FURTHER_DIGESTS))
    for block in roll.bucket.fetch(key, version=entry.version):
        hasher.update(block)
        progress.advance(len(block))
    content = hasher.content()
    roll.history.check(path, content)
    fact = Fact(
        at=context.clock.now(),
        place=place.id,
        path=key,
        content=content.blake3,
        way=Way.DOWNLOADED,
        result=Result.MATCHES,
        evidence="fetched back whole",
        version=entry.mark,
    )
    context.catalog.record(contents=[content], facts=[fact])
    return content


def _seal(context: Context, roll: ObjectRoll, files: tuple[RollFile, ...]) -> Roll:
    names = parse_roll_folder(context.config.layout.roll, roll.folder)
    assert names is not None
    made = Roll(
        head=RollHead(
            id=roll_id((file.path, file.content) for file in files),
            shoot=names[0],
            source=names[1],
            name=names[2],
            folder=roll.folder,
            sealed_at=context.clock.now(),
            file_count=len(files),
            size_bytes=sum(file.size for file in files),
        ),
        files=files,
        folders=roll.folders,
    )
    context.catalog.seal(made)
    return made
