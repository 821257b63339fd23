"""What the end of a deed means: events to remember, a line for the log. Pure.

Promises:
1. A deed that was stopped, or that met a place held by another program of ours, is no failure.
2. A drive or card that is gone is no failure of it either: it comes back as another mount.
3. A deed that came to nothing is a failure of that deed, so that it is not begun again at once.
"""

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from backupkeeper.core.deeds import Deed, DeedKind, DriveHere
from backupkeeper.core.model import EventKind, Place, PlaceId, PlaceKind, Role
from backupkeeper.core.patience import (
    line_of,
    shut_of,
    subject_of_bucket,
    subject_of_drive,
    subject_of_line,
    subject_of_shut,
    subjects_of_bucket,
)
from backupkeeper.core.wishes import COPY_NAMES
from backupkeeper.daemon.errand import Failed, Finished

MOVED_FROM_S: Final = 1.0
"""Shorter work says nothing about a rate."""
_WORDS: Final = MappingProxyType(
    {
        DeedKind.OFFLOAD: "offload",
        DeedKind.MIRROR: "copy",
        DeedKind.REPAIR: "repair",
        DeedKind.ADOPT: "taking in",
        DeedKind.LOOK: "look at changes",
        DeedKind.JUDGE: "verdict",
        DeedKind.UPLOAD: "upload",
        DeedKind.PROVE: "proof",
        DeedKind.POSTERS: "posters",
        DeedKind.DRILL: "restore drill",
        DeedKind.HEAR: "what other machines know",
        DeedKind.THIN: "thinning of old facts",
    }
)
_OF_ITSELF: Final = frozenset(
    {
        *("UsageError", "BrokenPromiseError", "ListingError", "ManifestError", "PlaceHeldError"),
        *("SourceChangedError", "SystemShortError"),
    }
)
"""Errors that are nobody's device: the deed itself must wait. (A place held from another catalog or
machine: nobody tells when it is let go.)"""
_OF_BUCKETS: Final = frozenset({"BucketUnreachableError", "LineDownError", "BucketShutError"})
_DONE_BY_LOOKING: Final = frozenset(
    {
        *(DeedKind.LOOK, DeedKind.JUDGE, DeedKind.OFFLOAD, DeedKind.POSTERS, DeedKind.HEAR),
        DeedKind.THIN,
    }
)
"""Deeds that are done even where they moved nothing."""
_SEALED: Final = frozenset({DeedKind.OFFLOAD, DeedKind.POSTERS})
"""Deeds that say whether they came to their end."""
_NAMES_ITS_PLACE: Final = frozenset(
    {DeedKind.PROVE, DeedKind.LOOK, DeedKind.ADOPT, DeedKind.REPAIR, DeedKind.POSTERS}
)
"""Deeds that are done on a place; others bring something to one."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Aftermath:
    """``failed`` and ``worked`` are subjects of ``core.patience``; ``events`` further ones."""

    said: str
    failed: tuple[tuple[str, str], ...] = ()
    worked: tuple[str, ...] = ()
    events: tuple[tuple[EventKind, str, str], ...] = ()
    is_trouble: bool = False
    """Whether the log should say it louder."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Stuck:
    """A device did not answer about a file ("": not known which); the drive that it is, if it is one."""

    path: str
    drive: DriveHere | None


def stuck_on(path: str, drives: Iterable[DriveHere]) -> Stuck:
    """Which drive a file lies on that its device does not answer about."""
    found = [one for one in drives if path.startswith(f"{one.point.rstrip('/')}/")]
    return Stuck(path=path, drive=max(found, key=lambda one: len(one.point), default=None))


@dataclass(frozen=True, kw_only=True, slots=True)
class Around:
    """What is known where the deed ended. ``is_gone``: one of its mounts is not there any more."""

    places: Mapping[PlaceId, Place]
    drives: Mapping[PlaceId, DriveHere]
    is_gone: bool
    was_asked_to_stop: bool
    stuck: "Stuck | None" = None
    """Why it was given up."""

    def subject(self, place: PlaceId, error: str = "") -> str:
        """What a failure of a place, by the class of its error, is counted under."""
        if self.places[place].kind is PlaceKind.BUCKET:
            if error == "LineDownError":
                return subject_of_line(place)
            return (
                subject_of_shut(place) if error == "BucketShutError" else subject_of_bucket(place)
            )
        drive = self.drives.get(place)
        return subject_of_drive(place, drive.token if drive is not None else "")

    def subjects(self, place: PlaceId) -> tuple[str, ...]:
        """Everything that failures of a place may have been counted under."""
        if self.places[place].kind is PlaceKind.BUCKET:
            return subjects_of_bucket(place)
        return (self.subject(place),)


def title(deed: Deed, places: Mapping[PlaceId, Place]) -> str:
    """What a deed is, for the log and for status."""
    what = deed.folder or deed.source_name or ", ".join(deed.folders[:3])
    if deed.kind is DeedKind.DRILL:
        what = deed.shoot
    ends = []
    if deed.source is not None and deed.source in places:
        ends.append(f"from {places[deed.source].name}")
    ids = [one for one in (deed.place, *deed.onto) if one is not None and one in places]
    roles = tuple(Role)
    ids.sort(key=lambda one: (roles.index(places[one].role), places[one].name))
    targets = [places[one].name for one in ids]
    if targets:
        link = "on" if deed.kind in _NAMES_ITS_PLACE else "to"
        link = "from" if deed.kind in {DeedKind.DRILL, DeedKind.HEAR} else link
        ends.append(f"{link} {' and '.join(targets)}")
    return " ".join([_word(deed, places), *([what] if what else []), *ends])


def _word(deed: Deed, places: Mapping[PlaceId, Place]) -> str:
    """What kind of deed it is: a copy by its role, as a person counts them."""
    if deed.kind in {DeedKind.MIRROR, DeedKind.UPLOAD} and deed.place in places:
        return COPY_NAMES[places[PlaceId(str(deed.place))].role]
    return _WORDS[deed.kind]


def aftermath(deed: Deed, came: Finished | Failed, around: Around) -> Aftermath:
    """What it means that this deed ended like that."""
    if isinstance(came, Failed):
        return _of_failure(deed, came, around)
    failed = dict(_troubled(deed, came, around))
    if came.files == 0 and not failed and deed.kind not in _DONE_BY_LOOKING:
        failed[deed.key] = f"It came to nothing: {came.said}"
    if deed.kind in _SEALED and not came.sealed and not failed:
        failed[deed.key] = f"It did not come to its end: {came.said}"
    known = [place for place in deed.places if place in around.places]
    subjects = [one for place in known for one in around.subjects(place)]
    worked = [one for one in (*subjects, deed.key) if one not in failed]
    return Aftermath(
        said=f"{title(deed, around.places)}: {came.said}",
        failed=tuple(failed.items()),
        worked=tuple(worked) if came.files or deed.kind in _DONE_BY_LOOKING else (),
        events=tuple(_events(deed, came)),
        is_trouble=bool(came.troubles or failed),
    )


def _of_failure(deed: Deed, came: Failed, around: Around) -> Aftermath:
    name = title(deed, around.places)
    if around.stuck is not None:
        return _of_silence(deed, around, around.stuck)
    if came.error == "stopped" or (came.error == "PlaceHeldError" and came.process is not None):
        why = came.message if came.error != "stopped" else "stopped; it is taken up later."
        if came.error == "stopped" and not around.was_asked_to_stop:
            why = f"{came.message} It is taken up later."
        return Aftermath(said=f"{name}: {why}")
    if around.is_gone:
        return Aftermath(
            said=f"{name}: what it worked on went away. It is taken up when that is back.",
            is_trouble=True,
        )
    subject = deed.key
    is_of_itself = came.error in _OF_ITSELF or (
        # What else can fail is its scratch folder: that is not the bucket's fault.
        deed.kind is DeedKind.DRILL and came.error not in _OF_BUCKETS
    )
    if not is_of_itself and deed.place in around.places and deed.place is not None:
        subject = around.subject(deed.place, came.error)
    whole = f"{came.message} {came.advice}".strip()
    return Aftermath(
        said=f"{name}: {whole}",
        # What a person must see to is told with what to do.
        failed=((subject, whole if shut_of(subject) is not None else came.message),),
        is_trouble=line_of(subject) is None,
    )


def _of_silence(deed: Deed, around: Around, stuck: Stuck) -> Aftermath:
    drive = stuck.drive
    called = around.places[drive.place].name if drive is not None else "A device"
    about = f" ({stuck.path})" if stuck.path else ""
    said = (
        f"{called} gives no answer{about}: the system has waited for it for minutes. The work was given "
        "up; unplug it, look at cable and port, and plug it in again. Other drives go on."
    )
    subject = subject_of_drive(drive.place, drive.token) if drive is not None else deed.key
    return Aftermath(
        said=f"{title(deed, around.places)}: {said}", failed=((subject, said),), is_trouble=True
    )


def _troubled(deed: Deed, came: Finished, around: Around) -> Iterable[tuple[str, str]]:
    """Places that troubles name, each once with its first sentence.

    A manifest that can't be brought is no reason to leave the bucket alone: files go there as before.
    """
    is_of_itself = deed.kind is DeedKind.UPLOAD and not deed.files
    told: set[str] = set()
    by_name = {place.name: place.id for place in around.places.values()}
    for name, _path, said in came.troubles:
        if name in by_name and name not in told:
            told.add(name)
            yield deed.key if is_of_itself else around.subject(by_name[name]), said


def _events(deed: Deed, came: Finished) -> Iterable[tuple[EventKind, str, str]]:
    if deed.kind is DeedKind.OFFLOAD and came.sealed and deed.card is not None:
        yield EventKind.CARD_TAKEN, deed.card, json.dumps(came.folders)
        for folder in came.folders:
            yield EventKind.POSTERS, folder, json.dumps(deed.onto)
    if deed.kind is DeedKind.ADOPT and came.files:
        yield EventKind.POSTERS, deed.folder, json.dumps([deed.place])
    if deed.kind is DeedKind.POSTERS and came.sealed:
        yield EventKind.POSTERS, deed.folder, ""
    if deed.kind is DeedKind.JUDGE and deed.card is not None and came.may_wipe is not None:
        no = "not yet" if deed.asked else "no"
        yield EventKind.CARD_JUDGED, deed.card, "yes" if came.may_wipe else no
    if deed.kind is DeedKind.PROVE and deed.place is not None:
        yield EventKind.PROOF_TIME, deed.place, f"{came.seconds:.1f}"
    moves = {DeedKind.MIRROR, DeedKind.UPLOAD, DeedKind.PROVE}
    if deed.kind in moves and came.size_bytes and came.seconds >= MOVED_FROM_S:
        yield EventKind.MOVED, f"{deed.kind}|{deed.place}", f"{came.size_bytes} {came.seconds:.1f}"
