"""Where snapshots of catalogs may lie: a drive, a folder that somebody fetched them into, a bucket.

Promises:
1. Nothing is written there.
2. A snapshot is believed by nobody here: it is unpacked within limits onto the local disk and looked
   at (``catalog.foreign``).
3. Nothing is read through a link on a drive.
"""

from collections.abc import Generator, Iterable, Iterator
from dataclasses import dataclass
from typing import Protocol

from backupkeeper.actions.bucket_marker import bucket_marker
from backupkeeper.actions.context import Context
from backupkeeper.actions.encrypting_bucket import EncryptingBucket
from backupkeeper.actions.online import read_marker
from backupkeeper.core.age import SUFFIX
from backupkeeper.core.errors import BackupkeeperError, NoKeyError, ReadError, UsageError
from backupkeeper.core.model import Place, PlaceId, PlaceKind, Role
from backupkeeper.core.snapshots import FOLDER, SnapshotName, snapshot_name
from backupkeeper.drives.marker import Marker
from backupkeeper.ports.bucket import Bucket
from backupkeeper.ports.files import EntryKind, Files
from backupkeeper.ports.mounts import Mount

CHUNK_BYTES = 1 << 20


class SnapshotSource(Protocol):
    """One of them. ``where`` is for a person; ``marker`` says which place it is, where it is one."""

    @property
    def where(self) -> str:
        """What a person calls it."""
        ...

    @property
    def marker(self) -> Marker | None:
        """Which place it is."""
        ...

    def names(self) -> list[SnapshotName]:
        """The snapshots there.

        Raises:
            BackupkeeperError: they can't be listed.
        """
        ...

    def chunks(self, name: SnapshotName) -> Iterator[memoryview]:
        """The bytes of one; each view is good until the next.

        Raises:
            BackupkeeperError: it can't be read.
        """
        ...


@dataclass(frozen=True, kw_only=True, slots=True)
class FolderSource:
    """A drive's root (with a marker), or a folder in which snapshots lie."""

    context: Context
    root: str
    marker: Marker | None

    @property
    def where(self) -> str:
        """Its marker's name and path."""
        return f"{self.marker.name} ({self.root})" if self.marker is not None else self.root

    def _folder(self) -> str:
        return f"{self.root.rstrip('/')}/{FOLDER}" if self.marker is not None else self.root

    def names(self) -> list[SnapshotName]:
        """Plain files there that are named like snapshots."""
        folder = self._folder()
        try:
            if self.marker is not None:
                for above in (folder.rpartition("/")[0], folder):
                    if self.context.files.stat(above).kind is not EntryKind.FOLDER:
                        return []
            entries = list(self.context.files.list(folder))
        except FileNotFoundError:
            return []
        except OSError as error:
            raise ReadError(folder, error.errno or 0) from error
        names = (snapshot_name(name) for name, kind in entries if kind is EntryKind.FILE)
        return [name for name in names if name is not None]

    def chunks(self, name: SnapshotName) -> Iterator[memoryview]:
        """The file's bytes."""
        yield from file_chunks(self.context.files, f"{self._folder()}/{name.text}")


def file_chunks(files: Files, path: str) -> Generator[memoryview, None, None]:
    """The bytes of one plain file; each view is good until the next.

    Raises:
        ReadError: it can't be read, or is no plain file.
    """
    try:
        handle = files.open_read(path)
        try:
            if files.stat_handle(handle).kind is not EntryKind.FILE:
                raise ReadError(path, 0, advice="It is no plain file.")
            buffer, at = memoryview(bytearray(CHUNK_BYTES)), 0
            while got := files.read_into(handle, buffer, at):
                yield buffer[:got]
                at += got
        finally:
            files.close(handle)
    except OSError as error:
        raise ReadError(path, error.errno or 0) from error


@dataclass(frozen=True, kw_only=True, slots=True)
class BucketSource:
    """A bucket and prefix. ``place`` says how it is reached; its id is the marker's where there is one."""

    place: Place
    bucket: Bucket
    marker: Marker | None

    @property
    def where(self) -> str:
        """Its address."""
        return self.place.location

    def names(self) -> list[SnapshotName]:
        """Objects below our folder that are named like snapshots."""
        found = [
            entry.key.removeprefix(f"{FOLDER}/") for entry in self.bucket.listing(f"{FOLDER}/")
        ]
        if not isinstance(self.bucket, EncryptingBucket) and any(
            snapshot_name(name.removesuffix(SUFFIX)) for name in found if name.endswith(SUFFIX)
        ):
            raise NoKeyError(f"The catalog's snapshot in {self.where}", tried=0)
        return [name for text in found if (name := snapshot_name(text)) is not None]

    def chunks(self, name: SnapshotName) -> Iterator[memoryview]:
        """The object's bytes."""
        return self.bucket.fetch(name.path)


def named_source(
    context: Context, text: str, *, endpoint: str | None, profile: str | None
) -> FolderSource | BucketSource:
    """What a person named.

    Args:
        context: the world.
        text: an absolute path, or ``s3://bucket/prefix``.
        endpoint: address of the store.
        profile: which credentials.

    Raises:
        UsageError: it is nothing of the kind.
        BackupkeeperError: it can't be reached, or its marker can't be believed.
    """
    if text.startswith("s3://"):
        return _bucket_source(context, text, endpoint, profile)
    try:
        is_folder = context.files.stat(text).kind is EntryKind.FOLDER
    except OSError as error:
        raise UsageError(f"There is nothing at {text}.", advice="Is the drive mounted?") from error
    if not is_folder:
        raise UsageError(f"{text} is no folder.", advice="Give a drive's mount point.")
    return FolderSource(context=context, root=text, marker=read_marker(context.files, text))


def _bucket_source(
    context: Context, location: str, endpoint: str | None, profile: str | None
) -> BucketSource:
    location = location.rstrip("/")
    place = Place(
        id=PlaceId(context.entropy.new_id()),
        name=location.rpartition("/")[2][:60],
        role=Role.CLOUD,
        kind=PlaceKind.BUCKET,
        created_at=context.clock.now(),
        location=location,
        device=f"{endpoint or 'default endpoint'} {'/'.join(location.split('/')[:3])}",
        endpoint=endpoint,
        profile=profile,
    )
    bucket = context.open_bucket(place)
    return BucketSource(place=place, bucket=bucket, marker=bucket_marker(bucket))


def drives_here(context: Context) -> Iterator[FolderSource]:
    """Every drive that is plugged in and carries a marker. One mounted twice comes once."""
    seen: set[tuple[int, int]] = set()
    for mount in context.mounts.current():
        if not _may_be_a_drive(mount, context.config.watch.media):
            continue
        try:
            marker = read_marker(context.files, mount.point.rstrip("/"))
        except (BackupkeeperError, OSError):
            continue
        if marker is not None and mount.device_number not in seen:
            seen.add(mount.device_number)
            yield FolderSource(context=context, root=mount.point, marker=marker)


def _may_be_a_drive(mount: Mount, media: Iterable[str]) -> bool:
    below = any(mount.point.startswith(f"{folder.rstrip('/')}/") for folder in media)
    return below or mount.source.startswith("/dev/")
