"""A receipt's facts: the verdict, and what the manifests of the card's rolls say at each place now.

Promises:
1. Nothing is stated of a manifest that was not read just now, through its chain, without a fault, and
   with every file of the roll by the hash that the catalog knows.
2. What can't be read is told in a sentence; it never stops the receipt or changes its verdict.
"""

from collections.abc import Iterable, Mapping

from backupkeeper.actions.context import Context
from backupkeeper.actions.histories import history_at
from backupkeeper.actions.online import OnlineDrive, online
from backupkeeper.actions.restore_history import history_in
from backupkeeper.core.errors import BackupkeeperError
from backupkeeper.core.fitting import possible_paths
from backupkeeper.core.model import Blake3, Content, Place, PlaceId, PlaceKind, Roll
from backupkeeper.core.receipt import (
    Judged,
    ManifestStand,
    Receipt,
    RollStand,
    RootHash,
    receipt_of,
    rolls_telling,
)
from backupkeeper.manifests.mhl_history import read_history
from backupkeeper.manifests.mhl_model import FOLDER, TOOL, History
from backupkeeper.ports.progress import Progress


def gather_receipt(context: Context, judged: Judged, progress: Progress) -> Receipt:
    """What a receipt of this verdict states.

    Raises:
        CatalogError: the catalog can't be read.
    """
    contents = {file.content for file in judged.read if file.content is not None}
    found = [context.catalog.roll(one) for one in context.catalog.rolls_with(contents)]
    telling = rolls_telling(judged.read, found)
    progress.begin("Reading the manifests", total_bytes=0, total_files=len(telling))
    stands = []
    for roll, of_card in telling:
        stands.append(
            RollStand(head=roll.head, of_card=of_card, manifests=_manifests(context, judged, roll))
        )
        progress.advance(0, files=1)
    progress.end()
    return receipt_of(
        judged,
        stands,
        program=f"{TOOL} {context.version}",
        distinct_devices=context.config.policy.distinct_devices,
    )


def _manifests(context: Context, judged: Judged, roll: Roll) -> tuple[ManifestStand, ...]:
    """At each place where a copy of a file of this roll was ever seen, in the roll's own folder."""
    below = f"{roll.head.folder}/"
    held: set[PlaceId] = {
        copy.place
        for file in roll.files
        for copy in judged.evidence.copies.get(file.content, ())
        if copy.path.startswith(below)
    }
    contents = context.catalog.contents(file.content for file in roll.files)
    return tuple(
        _stand(context, place, roll, contents)
        for place in judged.evidence.places.values()
        if place.id in held
    )


def _stand(
    context: Context, place: Place, roll: Roll, contents: Mapping[Blake3, Content]
) -> ManifestStand:
    try:
        history = _history(context, place, roll.head.folder)
    except BackupkeeperError as error:
        return ManifestStand(place=place.id, why_not=f"not read: {error.message}")
    if isinstance(history, str):
        return ManifestStand(place=place.id, why_not=f"not read: {history}")
    if history is None:
        return ManifestStand(place=place.id, why_not="there is none")
    if history.faults:
        why = f"not believed: {history.faults[0].message}"
        return ManifestStand(place=place.id, why_not=why)
    if not _tells_all(history, roll, contents):
        why = "not believed: the manifests don't say of every file of this roll what is known of it"
        return ManifestStand(place=place.id, why_not=why)
    newest = history.chain[-1]
    rooted, roots = _roots(history)
    return ManifestStand(
        place=place.id,
        name=newest.name,
        c4=newest.c4,
        generations=len(history.chain),
        rooted=rooted,
        roots=roots,
    )


def _history(context: Context, place: Place, folder: str) -> History | str | None:
    """A sentence where the place is not here."""
    if place.kind is PlaceKind.BUCKET:
        return read_history(
            *history_in(context.open_bucket(place, hurried=True), f"{folder}/{FOLDER}")
        )
    drive = online(context, place)
    return history_at(context, drive, folder) if isinstance(drive, OnlineDrive) else drive


def _tells_all(history: History, roll: Roll, contents: Mapping[Blake3, Content]) -> bool:
    """Whether each file stands there with its hash, by a name that it may have at some place."""
    cut = len(roll.head.folder) + 1
    paths = [*(file.path for file in roll.files), *roll.folders]
    homes = possible_paths(roll.head.folder, paths)

    def is_told(names: Iterable[str], content: Content) -> bool:
        return any(
            name not in history.failed
            and history.reference.get(name, {}).get("xxh128") == content.xxh128
            for name in names
        )

    return all(
        is_told((home[cut:] for home in homes[file.path]), contents[file.content])
        for file in roll.files
    )


def _roots(history: History) -> tuple[str, tuple[RootHash, ...]]:
    """The newest manifest that has directory hashes of the whole folder, and these."""
    for entry in reversed(history.chain):
        root = history.manifests[entry.name].root
        if root is not None and root.hashes:
            return entry.name, tuple(
                RootHash(format=form, content=one.content, structure=one.structure)
                for form, one in sorted(root.hashes.items())
            )
    return "", ()
