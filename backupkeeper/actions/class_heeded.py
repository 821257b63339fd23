"""Whether a bucket puts objects into the storage class that was asked for: seen, remembered, told.

Promises:
1. It is looked at where an object has just come into being, before any rule of the bucket moves it.
2. It fails no upload: the bytes are there all the same. It is told once, and again where a bucket's
   findings are told, for as long as that class is asked for.
"""

from collections.abc import Mapping

from backupkeeper.actions.context import Context
from backupkeeper.core.bucket_advice import class_words
from backupkeeper.core.model import Event, EventKind, Place


def note_classes(context: Context, place: Place, seen: Mapping[str, str]) -> tuple[str, ...]:
    """Remember what came of each class that was asked for.

    Args:
        context: the world.
        place: the bucket.
        seen: for each class the one in which objects stand instead; empty: they stand in it.

    Returns:
        Sentences about what was not known before.
    """
    if not seen:
        return ()
    known = context.catalog.latest(EventKind.CLASS_SEEN)
    news = {
        asked: got
        for asked, got in seen.items()
        if got != _detail(known.get(_subject(place, asked)))
    }
    context.catalog.note(
        Event(
            at=context.clock.now(),
            kind=EventKind.CLASS_SEEN,
            subject=_subject(place, asked),
            detail=got,
        )
        for asked, got in news.items()
    )
    return tuple(class_words(asked, got) for asked, got in news.items() if got)


def other_classes(context: Context, place: Place) -> Mapping[str, str]:
    """Classes that are asked for now and that a bucket was seen not to heed, with what it does instead."""
    wanted = context.config.upload
    known = context.catalog.latest(EventKind.CLASS_SEEN)
    classes = {wanted.storage_class, *(rule.storage_class for rule in wanted.classes)} - {""}
    found = {asked: _detail(known.get(_subject(place, asked))) for asked in sorted(classes)}
    return {asked: got for asked, got in found.items() if got}


def _detail(event: Event | None) -> str:
    return "" if event is None else event.detail


def _subject(place: Place, asked: str) -> str:
    return f"{place.id} {asked}"
