"""The very object that is ours, in a bucket that keeps versions, whatever stands over it now.

Promises:
1. Where the recorded version is still kept, that is what is looked at, fetched and proven: somebody
   who writes over an object, or deletes it, makes a new version and harms no old one.
2. That somebody did is told every time, for a version that is not the newest is one rule away from
   being deleted.
3. Without versions, or where ours is gone, what stands under the key is what counts, as ever; where
   its ETag is not that of the object that was proven, the proof is not about it.
"""

from dataclasses import dataclass
from typing import Final

from backupkeeper.core.model import Copy
from backupkeeper.ports.bucket import Bucket, ObjectEntry

_NO_VERSION: Final = "etag:"
"""What a mark begins with where the bucket keeps no versions (``ObjectEntry.mark``)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Ours:
    """``entry`` is what counts (None: nothing is there); ``over`` tells what stands over it, or is empty."""

    entry: ObjectEntry | None
    over: str = ""


def known_version(copy: Copy | None) -> str | None:
    """The version id that the newest telling fact of an object names, if it names one."""
    fact = None if copy is None else copy.proof or copy.latest
    mark = None if fact is None else fact.version
    return None if mark is None or mark.startswith(_NO_VERSION) else mark


def is_another(copy: Copy, entry: ObjectEntry) -> bool:
    """Whether an entry is of another object than a copy's proof, in a bucket without versions."""
    known = None if copy.proof is None else copy.proof.version
    return (
        known is not None
        and known.startswith(_NO_VERSION)
        and known != f"{_NO_VERSION}{entry.etag}"
    )


def look_at_ours(bucket: Bucket, key: str, known: str | None) -> Ours:
    """Look at an object of ours.

    Args:
        bucket: where it is.
        key: its key.
        known: its version id (``known_version``).

    Raises:
        BucketUnreachableError: the store does not answer, or will not let us look at a version.
    """
    newest = bucket.look(key)
    if known is None or (newest is not None and newest.version == known):
        return Ours(entry=newest)
    ours = bucket.look(key, version=known)
    if ours is None:
        return Ours(entry=newest)
    how = "It was deleted" if newest is None else "Another object stands over it now"
    return Ours(entry=ours, over=f"{how}; ours is version {known}, still there.")
