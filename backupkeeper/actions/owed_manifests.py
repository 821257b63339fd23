"""Manifests that a bucket still lacks: the line broke after the last file and before its roll's history.

Promises:
1. What is known of a roll's files says nothing about its manifest: that its history stands in the
   bucket is remembered by itself, only once its chain was sent or seen there.
2. A roll whose files are all there and whose history is not known to be is gone on with by the next
   upload of anything to that bucket; the planner has it brought where nothing else is to be sent.
3. A manifest that arrived without its chain is named by one only if it says of every file of the
   roll, and of no other, what the catalog does. Else it is left as it is.
"""

from contextlib import suppress

from backupkeeper.actions.context import Context
from backupkeeper.actions.encrypting_bucket import EncryptingBucket
from backupkeeper.actions.histories import send_manifest
from backupkeeper.actions.sending import keys_of
from backupkeeper.core.errors import HostileInputError, MismatchError
from backupkeeper.core.listing_wishes import listed_name
from backupkeeper.core.model import Event, EventKind, Place, Roll, RollId
from backupkeeper.core.outcomes import Trouble
from backupkeeper.manifests.mhl_chain import extend_chain
from backupkeeper.manifests.mhl_history import read_history
from backupkeeper.manifests.mhl_model import CHAIN_NAME, FOLDER
from backupkeeper.manifests.mhl_read import MANIFEST_LIMIT_BYTES
from backupkeeper.ports.bucket import Bucket


def see_listed(
    context: Context, bucket: Bucket, place: Place, roll: Roll, troubles: list[Trouble]
) -> bool:
    """Send a roll's manifest where all its files are there, and remember that it stands.

    Returns:
        Whether it stands there now.

    Raises:
        OutOfReachError: the bucket does not answer; it is owed from now on.
    """
    if not send_manifest(context, bucket, place, roll, troubles):
        return False
    event = Event(
        at=context.clock.now(),
        kind=EventKind.LISTED,
        subject=listed_name(place.id, roll.head.id),
        detail=roll.head.folder,
    )
    context.catalog.note([event])
    return True


def is_listed(context: Context, place: Place, roll: RollId) -> bool:
    """Whether a roll's manifest is known to stand in a bucket."""
    subject = listed_name(place.id, roll)
    return any(True for _ in context.catalog.events([EventKind.LISTED], subject=subject))


def send_owed(
    context: Context,
    bucket: Bucket,
    place: Place,
    troubles: list[Trouble],
    *,
    surely: RollId | None = None,
) -> int:
    """Send the manifests of rolls that are whole in a bucket, and are not known to be listed there.

    Args:
        context: the world.
        bucket: the store.
        place: which one that is.
        troubles: what goes wrong with one of them is added here.
        surely: a roll that is tried whatever the quick sieve says of it.

    Returns:
        How many stand there now that were not known to.

    Raises:
        OutOfReachError: the bucket does not answer.
    """
    since = context.clock.now() - context.config.policy.attested_age
    lacking = context.catalog.not_plainly_proven(place.id, since)
    listed = context.catalog.latest(EventKind.LISTED)
    sent = 0
    for head in context.catalog.rolls():
        is_lacking = head.id in lacking and head.id != surely
        if is_lacking or listed_name(place.id, head.id) in listed:
            continue
        roll = context.catalog.roll(head.id)
        with suppress(HostileInputError, MismatchError):  # what stands there is none to go on with
            _go_on(context, bucket, roll)
        sent += see_listed(context, bucket, place, roll, troubles)
    return sent


def _go_on(context: Context, bucket: Bucket, roll: Roll) -> None:
    """Send the chain of a first manifest that arrived without it.

    What is encrypted keeps its lists elsewhere and is sent anew.
    """
    if isinstance(bucket, EncryptingBucket):
        return
    folder = f"{roll.head.folder}/{FOLDER}/"
    there = {entry.key.removeprefix(folder): entry for entry in bucket.listing(folder)}
    if CHAIN_NAME in there:
        return
    for name, entry in there.items():
        if not name.endswith(".mhl") or entry.size > MANIFEST_LIMIT_BYTES:
            continue
        data = b"".join(bucket.fetch(entry.key))
        chain = extend_chain(None, name, data)
        if _says(name, data, chain) == _known(context, roll):
            bucket.send_small(f"{folder}{CHAIN_NAME}", chain)
            return


def _says(name: str, data: bytes, chain: bytes) -> dict[str, tuple[int | None, str | None]]:
    """Size and digest of every file that a manifest names; nothing where anything is wrong with it."""
    history = read_history([name, CHAIN_NAME], {name: data, CHAIN_NAME: chain}.__getitem__)
    if history is None or history.faults or history.failed:
        return {}
    return {
        path: (history.sizes.get(path), digests.get("xxh128"))
        for path, digests in history.reference.items()
    }


def _known(context: Context, roll: Roll) -> dict[str, tuple[int | None, str | None]]:
    contents = context.catalog.contents(file.content for file in roll.files)
    keys, cut = keys_of(roll), len(roll.head.folder) + 1
    return {
        keys[file.path][cut:]: (file.size, contents[file.content].xxh128) for file in roll.files
    }
