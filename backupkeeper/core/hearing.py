"""When other machines' snapshots are looked for, which are news, and what is remembered of it. Pure.

Rules:
1. On a drive they are looked for once each time it is plugged in, in a bucket once in a pause (that
   between two snapshots of our own), where the line is open: never is a sleeping drive woken for it.
2. Of another machine only a snapshot that is newer than the one last taken over, from wherever, is
   news; one that was refused is not looked at again at that place: a copy elsewhere may be whole, and
   what it is called (a date in the future) keeps no other from being read. Times of names are
   compared within one machine.
3. One place at a time, one that nobody uses, because the catalog is written to.
"""

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

from backupkeeper.core.deeds import Deed, DeedKind, View
from backupkeeper.core.fitness import obstacle
from backupkeeper.core.model import Event, Place, PlaceId, PlaceKind, Standing
from backupkeeper.core.snapshots import SnapshotName, snapshot_name
from backupkeeper.core.wish import Wish

MOST_REFUSED: Final = 100
"""So many names of a place are remembered; whoever writes more there has them read again."""
WHY: Final = "Other machines may have left there what they know."


@dataclass(frozen=True, kw_only=True, slots=True)
class Heard:
    """Of one place: the newest snapshot's name that was taken over, by catalog; why others were refused, by name."""

    taken: Mapping[str, str] = field(default_factory=dict)
    refused: Mapping[str, str] = field(default_factory=dict)

    @property
    def detail(self) -> str:
        """The event's text."""
        return json.dumps({"taken": dict(self.taken), "refused": dict(self.refused)})

    def after(self, taken: Mapping[str, str], refused: Mapping[str, str]) -> "Heard":
        """What is to be remembered after a look that took these over (by catalog) and refused those (by name)."""
        newest = {**self.taken, **taken}
        why = {**self.refused, **refused}
        kept = [
            text
            for text in sorted(why)
            if (name := snapshot_name(text)) is not None and text > newest.get(name.catalog, "")
        ]
        return Heard(taken=newest, refused={text: why[text] for text in kept[-MOST_REFUSED:]})


def heard_from(detail: str) -> Heard:
    """What an event's text says; nothing, where it can't be read."""
    try:
        told = json.loads(detail)
        refused = {str(name): str(why) for name, why in told["refused"].items()}
        taken = {str(one): str(name) for one, name in told["taken"].items()}
    except (ValueError, TypeError, KeyError, AttributeError):
        return Heard()
    return Heard(taken=taken, refused=refused)


def is_news(name: SnapshotName, mine: str, heard: Mapping[PlaceId, Heard], place: PlaceId) -> bool:
    """Whether a snapshot at a place is another catalog's, newer than what was taken over, and not refused there."""
    taken = (one.taken.get(name.catalog, "") for one in heard.values())
    is_refused = place in heard and name.text in heard[place].refused
    return name.catalog != mine and not is_refused and all(name.text > text for text in taken)


def unheard(
    places: Iterable[Place],
    drives: Iterable[PlaceId],
    heard: Mapping[PlaceId, datetime],
    seen: Mapping[PlaceId, datetime],
    now: datetime,
    pause: timedelta,
) -> tuple[PlaceId, ...]:
    """Places where it is time to look.

    Args:
        places: all that are known.
        drives: those that are here.
        heard: when each place was last looked at; none of these in the future.
        seen: when each was last plugged in.
        now: the present time.
        pause: between two looks at a bucket.
    """
    here = set(drives)
    found = []
    for place in places:
        last = heard.get(place.id)
        if place.standing is not Standing.ACTIVE:
            continue
        if place.kind is PlaceKind.BUCKET:
            is_due = last is None or now - last >= pause
        else:
            since = seen.get(place.id)
            is_due = place.id in here and (last is None or since is None or last < since)
        if is_due:
            found.append(place.id)
    return tuple(sorted(found))


def refusals(heard: Mapping[str, Event]) -> dict[tuple[PlaceId, str], str]:
    """Why another machine's news were not believed, by place and catalog."""
    return {
        (PlaceId(place), name.catalog): why
        for place, event in heard.items()
        for text, why in sorted(
            heard_from(event.detail).refused.items()
        )  # the newest of each stays
        if (name := snapshot_name(text)) is not None
    }


def hearings(view: View) -> Iterator[Wish]:
    """The next place to look at that nobody uses, if none is looked at now."""
    if any(running.deed.kind is DeedKind.HEAR for running in view.running):
        return
    busy = {
        place
        for running in view.running
        for place in ((running.deed.place,) if running.held else running.deed.places)
    }
    known = [view.places[place] for place in view.unheard if place in view.places]
    # Drives first: a bucket may be busy for days, with one roll.
    for place in sorted(known, key=lambda one: (one.kind is PlaceKind.BUCKET, one.id)):
        deed = Deed(kind=DeedKind.HEAR, why=WHY, place=place.id)
        is_shut = place.kind is PlaceKind.BUCKET and not view.hours.may_upload
        if place.id in busy or place.id in view.doubted or is_shut or obstacle(view, deed)[0]:
            continue
        yield Wish(deed=deed)
        return
