"""Rebuild: the catalog from what lies on drives and in buckets, on a machine that knows nothing.

Promises:
1. A catalog that holds something is left alone unless it is meant, and then nothing in it is lost: what
   is found is merged (``catalog.merge``).
2. Of every machine's snapshots the newest that can be believed counts; one that can't is told, and an
   older one, or a copy of it elsewhere, stands in.
3. What a snapshot says is taken over as it was said: facts of their time about places, which are known
   by marker and file system as ever. Nothing becomes a proof by being rebuilt.
4. Rolls that only their manifests know are told; they become rolls of the catalog by being read
   (``actions.unknown_rolls``), and nothing of them counts before that.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

from backupkeeper.actions.context import Context
from backupkeeper.actions.online import OnlineDrive, identify, online
from backupkeeper.actions.places import add_drive
from backupkeeper.actions.snapshot_sources import (
    BucketSource,
    FolderSource,
    drives_here,
    named_source,
)
from backupkeeper.actions.taking_snapshots import LOCK, Taking, take_snapshots, written_to
from backupkeeper.actions.unknown_rolls import moved_rolls, unknown_rolls
from backupkeeper.catalog.merge import settle
from backupkeeper.core.errors import (
    BackupkeeperError,
    MarkerError,
    OutOfReachError,
    UsageError,
)
from backupkeeper.core.model import Place, PlaceId, PlaceKind, Standing
from backupkeeper.core.rebuilding import (
    PlaceNow,
    RebuildOutcome,
    RebuildWish,
    UnknownRoll,
)
from backupkeeper.ports.progress import Progress

Source = FolderSource | BucketSource


@dataclass(kw_only=True)
class _Run(Taking):
    """What was found so far."""

    unknown: list[UnknownRoll] = field(default_factory=list)
    looked_at: set[PlaceId] = field(default_factory=set)


def rebuild(context: Context, wish: RebuildWish, progress: Progress) -> RebuildOutcome:
    """Put the catalog together.

    Args:
        context: the world; its catalog is written to (not with ``dry_run``).
        wish: what the person asks for.
        progress: told as it goes.

    Raises:
        UsageError: the catalog holds something and ``merge`` was not asked for, or a source is none.
        OutOfReachError: no source is here, or a bucket does not answer.
        CatalogError: the catalog can't be used.
    """
    if not wish.merge and not wish.dry_run and _holds_something(context):
        raise UsageError(
            f"The catalog {context.config.catalog.path} holds something already.",
            advice="With --merge what is found is added to it; nothing in it is lost.",
        )
    sources = _sources(context, wish)
    with (
        context.locks.hold(LOCK, called="the catalog", doing="rebuilding it"),
        written_to(context, dry_run=wish.dry_run, copied=False) as inner,
    ):
        run = _Run(context=inner, target=inner.config.catalog.path)
        take_snapshots(run, sources, progress)
        settle(run.target, clock=context.clock)
        for source in sources:
            _know_place(run, source, dry_run=wish.dry_run)
        if not wish.dry_run:
            _look_for_unknown_rolls(run, progress, take_in=wish.take_in)
        progress.end()
        return _outcome(run, sources, dry_run=wish.dry_run)


def _holds_something(context: Context) -> bool:
    # Places alone are what a rebuild may have left that found no snapshot, or no key for one.
    return bool(context.catalog.rolls() or context.catalog.open_rolls())


def _sources(context: Context, wish: RebuildWish) -> list[Source]:
    if wish.sources:
        return [
            named_source(context, text, endpoint=wish.endpoint, profile=wish.profile)
            for text in dict.fromkeys(wish.sources)
        ]
    if wish.endpoint or wish.profile:
        raise UsageError(
            "--endpoint and --profile are for buckets.", advice="Add --from s3://BUCKET/PREFIX."
        )
    here: list[Source] = list(drives_here(context))
    if not here:
        raise OutOfReachError(
            "No drive with a marker of this program is here.",
            advice="Plug one in, or name what there is: backupkeeper rebuild --from PATH_OR_S3",
        )
    return here


# -- places


def _know_place(run: _Run, source: Source, *, dry_run: bool) -> None:
    """See that the catalog knows the place that was looked at, as it is reached now."""
    try:
        if isinstance(source, BucketSource):
            _know_bucket(run, source, dry_run=dry_run)
        elif source.marker is not None:
            _know_drive(run, source, dry_run=dry_run)
    except BackupkeeperError as error:
        run.tell(source.where, error)


def _know_bucket(run: _Run, source: BucketSource, *, dry_run: bool) -> None:
    catalog = run.context.catalog
    known = {place.id: place for place in catalog.places()}
    if source.marker is not None:
        place = known.get(source.marker.id)
    else:
        place = next((one for one in known.values() if one.location == source.place.location), None)
    if place is None:
        marker = source.marker
        place = source.place
        if marker is not None:
            place = replace(place, id=marker.id, name=marker.name, created_at=marker.created)
        place = replace(place, name=_free_name(place, known.values()))
    reached = source.place
    if source.marker is not None and place.location != reached.location:
        raise MarkerError(
            f"It carries the marker of {place.name} ({place.location}) but is another bucket or "
            "prefix: a copy. It is not used.",
        )
    if place.location != reached.location or place.endpoint != reached.endpoint:
        place = replace(place, device=reached.device)
    place = replace(
        place, location=reached.location, endpoint=reached.endpoint, profile=reached.profile
    )
    run.looked_at.add(place.id)
    if not dry_run:
        catalog.put_place(place)


def _free_name(place: Place, known: Iterable[Place]) -> str:
    """Its name, or one beside it that no other place has."""
    taken = {one.name.casefold() for one in known if one.id != place.id}
    name, number = place.name, 1
    while name.casefold() in taken:
        number += 1
        name = f"{place.name} {number}"
    return name


def _know_drive(run: _Run, source: FolderSource, *, dry_run: bool) -> None:
    assert source.marker is not None
    context, ident = run.context, PlaceId(source.marker.id)
    place = {one.id: one for one in context.catalog.places()}.get(ident)
    if not dry_run:
        root = source.root.rstrip("/") or "/"
        if place is None:
            name, role = source.marker.name, source.marker.role
            is_folder = context.mounts.under(root).point != root
            add_drive(context, root, role=role, name=name, folder=is_folder)
        else:
            _reach(context, place, root)
    run.looked_at.add(ident)


def _reach(context: Context, place: Place, root: str) -> None:
    """See that a known drive is what lies here, and have it known where that is."""
    there = identify(context, place, root, context.mounts.under(root))
    if not isinstance(there, OnlineDrive):
        raise OutOfReachError(there or f"{root} is not where {place.name} begins.")
    if place.kind is PlaceKind.FOLDER:
        context.catalog.put_place(there.place)  # nothing else could find it
        place = there.place
    found = online(context, place)
    if isinstance(found, str):
        raise OutOfReachError(found)


def _look_for_unknown_rolls(run: _Run, progress: Progress, *, take_in: bool) -> None:
    places = {place.id: place for place in run.context.catalog.places()}
    here = [places[one] for one in sorted(run.looked_at) if one in places]
    # What was moved is known by the rolls of all places.
    for look in (unknown_rolls, moved_rolls):
        for place in here:
            if place.standing is Standing.ACTIVE:
                try:
                    run.unknown += look(run.context, place, progress, take_in=take_in)
                except BackupkeeperError as error:
                    run.tell(place.name, error)


def _outcome(run: _Run, sources: Sequence[Source], *, dry_run: bool) -> RebuildOutcome:
    catalog = run.context.catalog
    heads = catalog.rolls()
    return RebuildOutcome(
        dry_run=dry_run,
        sources=tuple(source.where for source in sources),
        taken=tuple(run.taken),
        unusable=tuple(run.unusable),
        places=tuple(_place_now(run, place) for place in catalog.places()),
        rolls=len(heads),
        files=sum(head.file_count for head in heads),
        size_bytes=sum(head.size_bytes for head in heads),
        unfinished=tuple(roll.folder for roll in catalog.open_rolls()),
        unknown=tuple(run.unknown),
        troubles=tuple(run.troubles),
    )


def _place_now(run: _Run, place: Place) -> PlaceNow:
    is_bucket = place.kind is PlaceKind.BUCKET
    looked_at = place.id in run.looked_at
    here = looked_at if is_bucket else isinstance(online(run.context, place), OnlineDrive)
    return PlaceNow(place=place, here=here, looked_at=looked_at)
