"""Encryption, joined: what the configuration asks for, the keys at hand, and buckets that heed both.

Promise: a bucket that was opened here never sends anything unencrypted while recipients are
configured, whoever opened it and whatever for; and beside encrypted files nothing at all where none
are configured and nobody said that it is meant so.
"""

import os
import stat
from collections.abc import Iterable, Mapping
from dataclasses import replace
from functools import cache

from backupkeeper.actions.context import Context, OpenBucket
from backupkeeper.actions.encrypting import Encryption, Wrapper, is_shown
from backupkeeper.actions.encrypting_bucket import EncryptingBucket
from backupkeeper.catalog.encrypted import SharedEncrypted, shared
from backupkeeper.config import Config
from backupkeeper.core.age import IDENTITY_VARIABLE
from backupkeeper.core.errors import UsageError
from backupkeeper.core.model import Place
from backupkeeper.ports.bucket import Bucket
from backupkeeper.ports.catalog import EncryptedRows
from backupkeeper.ports.clock import Clock
from backupkeeper.transfer.age import IDENTITIES_MOST_BYTES, Identity, identities_from
from backupkeeper.transfer.spool import Spool


def with_identity(config: Config, environ: Mapping[str, str]) -> Config:
    """The configuration with the key that was named for this one run, if one was.

    Raises:
        UsageError: it can't be read, or is none.
    """
    named = environ.get(IDENTITY_VARIABLE)
    if not named:
        return config
    path = os.path.abspath(named)
    read_identities(path)
    return replace(config, upload=replace(config.upload, identity_file=path))


def read_identities(path: str) -> tuple[Identity, ...]:
    """The keys in a file.

    Raises:
        UsageError: it can't be read, or holds none.
    """
    try:
        with open(os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC), "rb") as stream:
            if not stat.S_ISREG(os.fstat(stream.fileno()).st_mode):
                raise UsageError(f"{path} is no plain file.", advice="Name the file with the key.")
            data = stream.read(IDENTITIES_MOST_BYTES + 1)
    except OSError as error:
        raise UsageError(
            f"The file with the key, {path}, can't be read ({error.strerror})."
        ) from error
    if len(data) > IDENTITIES_MOST_BYTES:
        raise UsageError(f"{path} is far too long for a file with a key.")
    return identities_from(data, path)


def is_open(path: str) -> bool:
    """Whether others on this machine can read the file with the key, by its modes; False: no such file."""
    try:
        return bool(path) and bool(os.stat(path).st_mode & 0o077)
    except OSError:
        return False


def keys_in(files: Iterable[str]) -> list[Identity]:
    """The keys in all of these files; errors as in ``read_identities``."""
    return [key for file in files for key in read_identities(file)]


def encryption_of(config: Config) -> Encryption:
    """What the configuration asks for. A file with the key that is not here now is no key."""
    path = config.upload.identity_file

    @cache
    def at_hand() -> tuple[Identity, ...]:
        return read_identities(path) if path and os.path.exists(path) else ()

    return Encryption(
        recipients=config.upload.encrypt_to,
        hide_names=config.upload.hide_names,
        plain_too=config.upload.plain_too,
        identities=at_hand,
    )


def encrypting(context: Context, place: Place, bucket: Bucket, rows: EncryptedRows) -> Bucket:
    """The bucket as everybody else shall see it: itself, where encryption is nowhere in sight.

    Args:
        context: the world.
        place: which place it is.
        bucket: the bucket itself.
        rows: what is known of encrypted objects, for all threads.
    """
    upload = context.config.upload
    wanted = upload.encrypt_to or upload.identity_file
    if not wanted and not rows.has_encrypted(place.id):
        return bucket
    encryption = encryption_of(context.config)
    folder = upload.spool or f"{os.path.realpath(context.config.catalog.path)}.spool"
    wrapper = Wrapper(
        rows=rows,
        clock=context.clock,
        place=place,
        encryption=encryption,
        shown=is_shown(context.catalog, encryption),
        spool=Spool(context.files, context.mounts, f"{folder}/{place.id}", context.clock.monotonic),
    )
    return EncryptingBucket(bucket, wrapper, context.entropy)


class EncryptingBuckets:
    """``actions.context.OpenBucket`` around another one. ``context`` is given once there is one."""

    context: Context

    def __init__(self, opener: OpenBucket, config: Config, clock: Clock) -> None:
        self._opener = opener
        self._path = config.catalog.path
        self._clock = clock
        self._rows: SharedEncrypted | None = None

    def __call__(self, place: Place, *, hurried: bool = False) -> Bucket:
        """Open it; nothing is asked of the network yet."""
        if self._rows is None:
            self._rows = shared(self._path, clock=self._clock)
        return encrypting(self.context, place, self._opener(place, hurried=hurried), self._rows)

    def close(self) -> None:
        """Release what was opened."""
        if self._rows is not None:
            self._rows.close()
