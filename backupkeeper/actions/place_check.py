"""What a bucket can do: found out, kept as an event, acted on.

Promises:
1. Nothing is sent to a bucket that was last seen to be public, until a check says otherwise.
2. Findings are believed for 30 days (``core.bucket_findings``); what contradicts them drops them.
3. Nothing but scratch objects is written, and nothing else of the bucket changed, unless the person
   asked for the lifecycle rule.
"""

from collections.abc import Mapping
from datetime import datetime
from typing import Final

from backupkeeper.actions.class_heeded import other_classes
from backupkeeper.actions.context import Context
from backupkeeper.core.bucket_advice import BucketAdvice, Level, advice_on_bucket
from backupkeeper.core.bucket_findings import BucketCheck, Findings, decoded, encoded
from backupkeeper.core.errors import PublicBucketError, UsageError
from backupkeeper.core.model import Event, EventKind, Place, PlaceId, PlaceKind, Standing
from backupkeeper.core.outcomes import PlaceCheck
from backupkeeper.core.typed import typed
from backupkeeper.ports.bucket import Bucket
from backupkeeper.ports.progress import Progress

FORGOTTEN: Final = ""
"""Detail of an event that says: what was found out before counts no more."""


def bucket_named(context: Context, name: str) -> Place:
    """The bucket that a person calls so.

    Raises:
        UsageError: there is none, or it is a drive.
    """
    for place in context.catalog.places():
        if place.name == name:
            if place.kind is PlaceKind.BUCKET:
                return place
            raise UsageError(
                f"{name} is no bucket.", advice="A drive is checked with: backupkeeper verify"
            )
    raise UsageError(f"No place is called {name}.", advice="To see them: backupkeeper place list")


def check_place(context: Context, name: str, progress: Progress) -> PlaceCheck:
    """Try what a bucket can do, and remember it.

    Raises:
        UsageError: there is no such bucket.
        BucketUnreachableError: it does not answer, or can't be written to.
    """
    place = bucket_named(context, name)
    found = try_bucket(context, place, progress)
    return told(context, place, context.clock.now(), found)


def told(context: Context, place: Place, at: datetime, found: Findings) -> PlaceCheck:
    """Findings with what they mean."""
    return PlaceCheck(place=place, at=at, findings=found, advice=advice_on(context, place, found))


def advice_on(context: Context, place: Place, found: Findings) -> tuple[BucketAdvice, ...]:
    """What findings mean for this person."""
    days = context.config.upload.retention_days
    return advice_on_bucket(
        found,
        name=place.name,
        retention_days=days,
        other_classes=other_classes(context, place),
    )


def try_bucket(context: Context, place: Place, progress: Progress) -> Findings:
    """Try a bucket and remember what came of it. Errors as in ``check_place``."""
    found = tried(context.open_bucket(place), place, progress)
    remember(context, place, found)
    return found


def tried(bucket: Bucket, place: Place, progress: Progress) -> Findings:
    """Try a bucket; nothing is remembered."""
    progress.note(f"Trying what {place.name} can do; that takes some dozens of small requests.")
    return bucket.check()


def remember(context: Context, place: Place, found: Findings) -> None:
    """Keep findings as an event."""
    _note(context, place, encoded(found))


def forget_if_doubted(context: Context, place: Place, bucket: Bucket) -> None:
    """Drop what is remembered of a bucket that was seen to do otherwise."""
    if bucket.doubts:
        _note(context, place, FORGOTTEN)


def _note(context: Context, place: Place, detail: str) -> None:
    now = context.clock.now()
    context.catalog.note([Event(at=now, kind=EventKind.CHECKED, subject=place.id, detail=detail)])


def check_of(event: Event | None) -> BucketCheck:
    """What an event says of a bucket. Its text is read as anybody's."""
    if event is None:
        return BucketCheck()
    return BucketCheck(at=event.at, findings=decoded(event.detail))


def checks(context: Context) -> Mapping[PlaceId, BucketCheck]:
    """What is remembered of each bucket that is in use, if anything."""
    latest = context.catalog.latest(EventKind.CHECKED)
    return {
        place.id: check_of(latest.get(place.id))
        for place in context.catalog.places()
        if place.kind is PlaceKind.BUCKET and place.standing is Standing.ACTIVE
    }


def make_fit(context: Context, place: Place, progress: Progress) -> None:
    """Before anything is sent: check a bucket whose last check is too old, and refuse a public one.

    Who gets at it is looked at every time: a bucket is made public in an instant.

    Raises:
        PublicBucketError: it is public.
        BucketUnreachableError: it had to be checked, and does not answer.
    """
    latest = check_of(context.catalog.latest(EventKind.CHECKED).get(place.id))
    found = latest.findings if latest.is_fresh(context.clock.now()) else None
    if found is None:
        refuse_public(context, place, try_bucket(context, place, progress))
        return
    refuse_public(context, place, found)
    now = context.open_bucket(place).who_reads(found)
    try:
        refuse_public(context, place, now)
    except PublicBucketError:
        remember(context, place, now)
        raise


def refuse_public(context: Context, place: Place, found: Findings, *, again: str = "") -> None:
    """See that a bucket is not public. ``again``: what to do afterwards, where no command will do.

    Raises:
        PublicBucketError: it is.
    """
    for one in advice_on(context, place, found):
        if one.level is Level.STOP:
            raise PublicBucketError(place.name, one.words, again or one.command)


def set_lifecycle_rule(context: Context, name: str, progress: Progress) -> tuple[bool, PlaceCheck]:
    """Have a bucket end uploads that were never finished, and check it anew.

    Returns:
        Whether it did not do so before, and what it does now.

    Raises:
        UsageError: there is no such bucket; or it can't be done with certainty: nothing was changed.
        BucketUnreachableError: it does not answer.
    """
    place = bucket_named(context, name)
    added = context.open_bucket(place).set_lifecycle_rule()
    return added, check_place(context, name, progress)


def lifecycle_rule(context: Context, name: str) -> Mapping[str, object]:
    """The rule that ``set_lifecycle_rule`` adds, as the service's interface writes it.

    Raises:
        UsageError: there is no such bucket.
    """
    return context.open_bucket(bucket_named(context, name)).lifecycle_rule()


def reminders(context: Context) -> tuple[str, ...]:
    """Sentences: buckets that were never checked, or not for long, and what their checks warn of."""
    now = context.clock.now()
    names = {place.id: place for place in context.catalog.places()}
    found: list[str] = []
    for place, check in checks(context).items():
        name = names[place].name
        how = f"{_HOW} {typed(name)}"
        if check.findings is None or check.at is None:
            found.append(f"{name} was never checked, or does other things now. {how}")
        elif not check.is_fresh(now):
            days = (now - check.at).days
            when = f"{days} days ago" if days > 0 else "at a time that is still to come"
            found.append(f"{name} was last checked {when}. {how}")
        else:
            found += [
                f"{name}: {one.words} {one.command}".strip()
                for one in advice_on(context, names[place], check.findings)
                if one.level is not Level.NOTE
            ]
    return tuple(found)


_HOW: Final = "What it can do is tried before the next upload, or now: backupkeeper place check"
