"""May this card be wiped? Reads the whole card now and asks ``core.verdict``."""

from collections.abc import Callable, Iterable
from dataclasses import replace

from backupkeeper.actions.card_listing import listed_card
from backupkeeper.actions.context import Context
from backupkeeper.actions.forming import Watching
from backupkeeper.actions.glance import glance_at_buckets, glance_at_drives
from backupkeeper.actions.online import bare, here_and_away
from backupkeeper.core.errors import BackupkeeperError
from backupkeeper.core.forming import Forming
from backupkeeper.core.model import CardFile, CardListing
from backupkeeper.core.outcomes import Verdict
from backupkeeper.core.policy import copies_of
from backupkeeper.core.receipt import Judged
from backupkeeper.core.verdict import Evidence, judge
from backupkeeper.ports.mounts import DeviceInfo
from backupkeeper.ports.progress import Progress
from backupkeeper.transfer.pipeline import Job, copy_files


def may_wipe(
    context: Context,
    card: str,
    progress: Progress,
    on_change: Callable[[Forming], None] | None = None,
) -> Verdict:
    """The verdict on a card, from its bytes as they are now and the facts about their copies.

    Args:
        context: the parts.
        card: the folder where it is mounted.
        progress: told how far the reading is.
        on_change: told after each file what is known by then; nobody: nobody watches.

    Raises:
        UsageError: there is no such card, or it is a place.
    """
    return judge_card(context, card, progress, on_change).verdict


def judge_card(
    context: Context,
    card: str,
    progress: Progress,
    on_change: Callable[[Forming], None] | None = None,
) -> Judged:
    """The verdict, with all that it was made of; arguments as in ``may_wipe``.

    Raises:
        UsageError: there is no such card, or it is a place.
    """
    drives, away = here_and_away(context)
    listing = listed_card(context, card, drives)
    before = _card_device(context, card)
    device = None if before is None else before.device
    watching = None if on_change is None else Watching(context, device=device, on_change=on_change)
    read = read_card(context, listing, progress, watching)
    # Looked at again: what was added, or taken away, while the card was read.
    after = listed_card(context, card, drives)
    if after != listing:
        read = _only_unchanged(read, listing, after)
        listing = after
    contents = {file.content for file in read if file.content is not None}
    glance_at_drives(context, drives, contents)
    said, answered = glance_at_buckets(context, contents)
    places = {place.id: place for place in context.catalog.places()}
    robbed = {at: str(told) for at in away if (told := bare(context, places[at]))}
    unseen = [
        f"{told} What counts is its last proof." for at, told in away.items() if at not in robbed
    ]
    listing = replace(listing, warnings=(*listing.warnings, *unseen, *said, *robbed.values()))
    # A drive that is here and lost its marker is not away: somebody was at it.
    counting = {at: place for at, place in places.items() if at not in robbed}
    now = context.clock.now()
    info = _card_device(context, card)
    evidence = Evidence(
        places=places,
        copies=copies_of(context.catalog.facts_of(contents), counting, context.config.policy, now),
        sealed=context.catalog.sealed_among(contents),
        card_device=None if info is None else info.device,
    )
    return Judged(
        verdict=judge(listing, read, evidence, context.config.policy, now),
        listing=listing,
        read=read,
        evidence=evidence,
        looked_at=answered | {drive.place.id for drive in drives},
        label=info.label if info is not None and info.mount.point == card else None,
    )


def _card_device(context: Context, card: str) -> DeviceInfo | None:
    try:
        return context.mounts.inspect(context.mounts.under(card))
    except (BackupkeeperError, OSError):
        return None


def read_card(
    context: Context,
    listing: CardListing,
    progress: Progress,
    watching: Callable[[CardFile], None] | None = None,
) -> tuple[CardFile, ...]:
    """Every file of a listing, read whole and hashed, in the order of the listing."""
    progress.begin(
        "Reading the card",
        total_bytes=sum(entry.size for entry in listing.files),
        total_files=len(listing.files),
    )
    jobs = [
        Job(
            source=f"{listing.root}/{entry.path}",
            size=entry.size,
            mtime_ns=entry.mtime_ns,
            targets={},
            expect=None,
        )
        for entry in listing.files
    ]
    read: dict[str, CardFile] = {}
    for batch in copy_files(jobs, [], files=context.files, progress=progress):
        for copied in batch:
            path = copied.job.source.removeprefix(f"{listing.root}/")
            read[path] = CardFile(
                path=path,
                size=copied.job.size,
                content=copied.content.blake3 if copied.content is not None else None,
                error=str(copied.source_error) if copied.source_error is not None else None,
                xxh128=copied.content.xxh128 if copied.content is not None else None,
            )
            if watching is not None:
                watching(read[path])
    progress.end()
    return tuple(read[entry.path] for entry in listing.files if entry.path in read)


def _only_unchanged(
    read: Iterable[CardFile], before: CardListing, after: CardListing
) -> tuple[CardFile, ...]:
    """Files whose entry is the same before and after; ``judge`` says no for all others."""
    same = set(before.files) & set(after.files)
    paths = {entry.path for entry in same}
    return tuple(file for file in read if file.path in paths)
