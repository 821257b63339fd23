"""Uploads in parts that were begun and not ended: remembered in the catalog, tidied up after.

Promises:
1. An upload is remembered durably before any part is sent, and until its end is recorded.
2. Only uploads that this catalog began are given up, and only those that ``core.uploads`` calls
   stale. What other programs, or other catalogs, have begun in the bucket is left alone, also where
   it was gone on with here. (Merged catalogs remember each other's: of these none is given up while
   parts of it arrive.)
3. Of a bucket that is lost or retired nothing is asked: its uploads are forgotten after some days.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime

from backupkeeper.actions.context import Context
from backupkeeper.actions.upload_notes import UploadNotes
from backupkeeper.core.model import Blake3, Place, PlaceId, Standing
from backupkeeper.core.uploads import KEPT_FOR, Begun, is_stale
from backupkeeper.ports.bucket import Bucket
from backupkeeper.ports.catalog import Catalog


@dataclass(frozen=True, kw_only=True, slots=True)
class CatalogMemory:
    """``ports.bucket.Remembering`` for one file and key of a bucket.

    ``notes`` are what machines tell each other in the bucket; None: nothing is told there.
    """

    catalog: Catalog
    place: PlaceId
    key: str
    content: Blake3
    notes: UploadNotes | None = None

    def begun(self) -> Begun | None:
        """The newest upload of this file to this key."""
        found = [
            one
            for one in self.catalog.uploads(self.place)
            if (one.key, one.content) == (self.key, self.content)
        ]
        return found[-1] if found else None

    def others(self) -> Sequence[Begun]:
        """What notes in the bucket tell of this file, the newest first."""
        return () if self.notes is None else self.notes.on(self.key, self.content)

    def remember(self, begun: Begun) -> None:
        """Remember it, durably, and tell of it in the bucket."""
        self.catalog.upload_begun(self.place, begun)
        if self.notes is not None:
            self.notes.tell()

    def forget(self, begun: Begun) -> None:
        """Forget it."""
        self.catalog.upload_ended(self.place, begun)
        if self.notes is not None:
            self.notes.drop(begun)


def give_up_stale(
    context: Context,
    bucket: Bucket,
    place: Place,
    *,
    wanted: Collection[tuple[str, Blake3]],
) -> None:
    """Give up uploads of ours that have no use any more.

    Args:
        context: the world.
        bucket: the store that they were begun in.
        place: which one that is.
        wanted: key and content of all that is still to be sent.

    Raises:
        BucketUnreachableError: the store could not be asked, or does not remove one.
    """
    for begun in context.catalog.uploads(place.id):
        is_wanted = (begun.key, begun.content) in wanted
        if is_wanted:
            continue
        there, now = bucket.look(begun.key) is not None, context.clock.now()
        if not is_stale(begun, now, wanted=is_wanted, there=there):
            continue
        last = None if there else bucket.last_part(begun)
        if is_stale(begun, now, wanted=is_wanted, there=there, last_part=last):
            bucket.give_up(begun)
            context.catalog.upload_ended(place.id, begun)


def forget_of_closed(catalog: Catalog, now: datetime) -> None:
    """Forget uploads to buckets that are lost or retired; the store's own rule ends them there.

    Not at once: it may have been a mistake, and then they are gone on with.
    """
    for place in catalog.places():
        if place.standing is Standing.ACTIVE:
            continue
        for begun in catalog.uploads(place.id):
            if now - begun.begun_at >= KEPT_FOR:
                catalog.upload_ended(place.id, begun)
