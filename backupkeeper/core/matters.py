"""What is worth telling a person who does not sit in front of it. Pure.

Promises:
1. A matter is told at most once a day, and what is about one card at most once while it is in.
2. In quiet hours only what is urgent is told; the rest comes when they end, if it is still so.
3. Nothing is said to be proven, or fit to be wiped, but what facts and a verdict say.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from backupkeeper.core.deeds import CardHere, Plan, RollNeed, Standing as RollStanding, View
from backupkeeper.core.line import WAITS_FOR_HOURS
from backupkeeper.core.model import Event, PlaceId, PlaceKind, Role, Standing
from backupkeeper.core.patience import shut_of, subjects_of_bucket
from backupkeeper.core.typed import typed

AGAIN_AFTER: Final = timedelta(hours=24)
FAILING_AFTER: Final = 3
"""So many failures in a row, without a success, are worth telling."""
CAUTION: Final = (
    "That is about the bytes that are on it now: if anything is recorded after this, ask again. "
    "Format it in the camera, and keep one of the copies in another place."
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Matter:
    """One thing worth telling. ``id`` stays the same as long as it is the same matter."""

    id: str
    subject: str
    body: str
    urgent: bool = False
    once: bool = False
    """Told once at all, not once a day."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Patience:
    """For how long a person wants to hear nothing of it."""

    away: timedelta = timedelta(days=30)
    upload: timedelta = timedelta(days=3)


def matters(
    view: View,
    made: Plan,
    *,
    seen: Mapping[PlaceId, datetime],
    patience: Patience,
    commands: Mapping[str, str],
) -> tuple[Matter, ...]:
    """Everything that is worth telling now, whether it was told or not.

    Args:
        view: what is so.
        made: what will be done about it.
        seen: when each place was last here.
        patience: see there.
        commands: what to type to offload a card, by the token of its mount.
    """
    found = [
        *_damage(view),
        *_doubted(view),
        *_refused(view),
        *_worn(view),
        *_failing(view),
        *_shut(view),
        *_stuck_uploads(view, patience),
        *_away(view, seen, patience),
        *(matter for card in view.cards for matter in _card(card, commands)),
        *_no_room(view, made),
    ]
    return tuple(found)


def due(
    found: Iterable[Matter], told: Mapping[str, Event], now: datetime, *, may_disturb: bool
) -> tuple[Matter, ...]:
    """Those that should be told now.

    Args:
        found: what is so.
        told: when each was last told, by its id.
        now: the present time.
        may_disturb: whether it is no quiet hour.
    """
    return tuple(
        matter
        for matter in found
        if (may_disturb or matter.urgent) and _is_time(matter, told.get(matter.id), now)
    )


def _is_time(matter: Matter, last: Event | None, now: datetime) -> bool:
    if last is None:
        return True
    # A clock that was set back must not silence a matter for ever, nor repeat it at once.
    return not matter.once and abs(now - last.at) >= AGAIN_AFTER


def _refused(view: View) -> Iterator[Matter]:
    for (place, catalog), why in view.refused.items():
        name = view.places[place].name if place in view.places else "a place"
        yield Matter(
            id=f"refused|{place}|{catalog}",
            subject=f"What another machine left on {name} can't be taken over",
            body=(
                f"A snapshot of another catalog (computer {catalog[:8]}) on {name} was not taken over: "
                f"{why} Nothing of it was believed. What that machine knows is not known here."
            ),
            once=True,
        )


def _counted(files: int, what: str) -> str:
    return f"1 file is {what}" if files == 1 else f"{files:,} files are {what}"


def _damage(view: View) -> Iterator[Matter]:
    for need in view.needs:
        for place, standing in need.at.items():
            bad = []
            if standing.damaged_files:
                bad.append(_counted(standing.damaged_files, "damaged"))
            if standing.missing_files:
                bad.append(_counted(standing.missing_files, "missing"))
            if not bad:
                continue
            name = view.places[place].name
            yield Matter(
                id=f"damage|{place}|{need.roll.id}",
                subject=f"Damage on {name}: {need.roll.folder}",
                body=(
                    f"{' and '.join(bad)} of {need.roll.folder} on {name}. {_others(need)} "
                    f"{_what_happens(view, place, standing)}"
                    '"backupkeeper repair --dry-run" says what could be done about damage; README, '
                    '"A bad day", the rest.'
                ),
                urgent=True,
            )


def _doubted(view: View) -> Iterator[Matter]:
    for place in sorted(view.doubted):
        name = view.places[place].name
        yield Matter(
            id=f"doubt|{place}",
            subject=f"The drive {name} is in doubt as a whole",
            body=(
                "So many of its files were bad one after the other that the cable, the port, the "
                "controller or the whole drive is wrong, not single files. What was proven on it counts "
                "no more; nothing on it is read or mended now. Plug it in by another cable and port: "
                "then it is read again."
            ),
            urgent=True,
        )


def _worn(view: View) -> Iterator[Matter]:
    for place, why in view.worn.items():
        name = view.places[place].name
        yield Matter(
            id=f"worn|{place}",
            subject=f"Replace the drive {name}",
            body=(
                f"{why} See that nothing on it is the only copy ('backupkeeper gaps'), and copy its "
                "folders to a new drive before it fails."
            ),
            urgent=True,
        )


def _what_happens(view: View, place: PlaceId, standing: RollStanding) -> str:
    """What is done about it without asking."""
    is_mended = view.auto_repair and place not in view.doubted
    mended = sum(files for files, _ in standing.mendable.values()) if is_mended else 0
    told = []
    if mended:
        told.append(
            f"{mended} of them are mended by themselves once a copy with the right bytes is here; the "
            "damaged files are kept. "
        )
    if standing.damaged_files > mended:
        told.append("The others are left as they are: nothing there is written over. ")
    if standing.missing_files:
        told.append("What is missing is brought back from a proven copy by itself. ")
    return "".join(told)


def _others(need: RollNeed) -> str:
    if need.fewest == 0:
        return "SOME OF ITS FILES HAVE NO PROVEN COPY ANYWHERE: act now."
    roles = "role" if need.fewest == 1 else "roles"
    return f"Each of its files is proven in at least {need.fewest} {roles}."


def _failing(view: View) -> Iterator[Matter]:
    for subject, setback in view.setbacks.items():
        if setback.count < FAILING_AFTER:
            continue
        place = view.places.get(PlaceId(subject.partition("@")[0]))
        if place is None or place.kind is PlaceKind.BUCKET:
            continue
        yield Matter(
            id=f"failing|{place.id}",
            subject=f"{place.name} may be failing",
            body=(
                f"Work on {place.name} failed {setback.count} times in a row, the last time: "
                f"{setback.message} Try another cable and another port first. If it goes on, get "
                "another drive: what is proven elsewhere stays proven."
            ),
            urgent=True,
        )


def _shut(view: View) -> Iterator[Matter]:
    """Buckets that let nothing in until a person does something."""
    for subject, setback in view.setbacks.items():
        place = view.places.get(shut_of(subject) or PlaceId(""))
        if place is not None:
            yield Matter(
                id=f"shut|{place.id}",
                subject=f"{place.name} takes no uploads until you do something",
                body=setback.message,
                urgent=True,
            )


def _stuck_uploads(view: View, patience: Patience) -> Iterator[Matter]:
    late = [
        need
        for need in view.needs
        if Role.CLOUD in need.gaps and view.now - need.roll.sealed_at >= patience.upload
    ]
    if not late:
        return
    oldest = min(late, key=lambda need: need.roll.sealed_at)
    days = (view.now - oldest.roll.sealed_at).days
    why = _why_stuck(view)
    yield Matter(
        id="upload stuck",
        subject=f"{len(late)} rolls have no third copy, the oldest for {days} days",
        body=f"{oldest.roll.folder} has waited longest. {why}".strip(),
        urgent=True,
    )


def _why_stuck(view: View) -> str:
    buckets = [one for one in view.places.values() if one.kind is PlaceKind.BUCKET]
    active = [one for one in buckets if one.standing is Standing.ACTIVE]
    if not active:
        return "No bucket is among the places: backupkeeper place add s3://BUCKET/PREFIX"
    known = [subject for one in active for subject in subjects_of_bucket(one.id)]
    failed = [view.setbacks[one].message for one in known if one in view.setbacks]
    if failed:
        return f"The last try failed: {failed[0]}"
    return "" if view.hours.no_upload in {"", WAITS_FOR_HOURS} else view.hours.no_upload


def _away(view: View, seen: Mapping[PlaceId, datetime], patience: Patience) -> Iterator[Matter]:
    for place in view.places.values():
        is_away = place.kind is not PlaceKind.BUCKET and place.id not in view.drives
        if not is_away or place.standing is not Standing.ACTIVE:
            continue
        last = seen.get(place.id, place.created_at)
        if view.now - last >= patience.away:
            yield Matter(
                id=f"away|{place.id}",
                subject=f"{place.name} was not here for {(view.now - last).days} days",
                body=(
                    f"Plug {place.name} in: what is on it wants to be read again, and new rolls "
                    "may be missing on it."
                ),
            )


def _card(card: CardHere, commands: Mapping[str, str]) -> Iterator[Matter]:
    name = card.source or card.label
    if card.warnings and not card.taken:
        yield Matter(
            id=f"card warnings|{card.token}",
            subject=f"A word about the card {name}",
            body=" ".join(card.warnings),
            once=True,
        )
    if card.withdrawn:
        yield Matter(
            id=f"verdict withdrawn|{card.token}",
            subject=f"{name}: do NOT wipe this card any more",
            body=(
                f"It was said that the card at {card.point} may be wiped. Since then a copy was lost, "
                "damaged or doubted. What lacks is brought or proven if it can be, and the card is "
                "read again then."
            ),
            urgent=True,
        )
    if card.may_wipe is not None:
        yield _verdict(card, name)
    elif not card.taken and (card.trouble or not card.auto_offload):
        command = commands.get(card.token, "")
        type_it = f"To offload it, type: {command}" if command else ""
        yield Matter(
            id=f"card|{card.token}",
            subject=f"A card is here: {name}, {card.file_count} files",
            body=" ".join(filter(None, (card.trouble, type_it))),
            once=True,
        )


def _verdict(card: CardHere, name: str) -> Matter:
    if card.may_wipe:
        limits = card.limits
        if limits is None:
            limits = (
                f"What your configuration asks for. More says: backupkeeper may-wipe {typed(card.point)}",
            )
        far = ", as far as was asked for" if limits else ""
        proven = f"All {card.file_count} files of the card at {card.point} are proven{far}."
        return Matter(
            id=f"verdict yes|{card.token}",
            subject=f"{name}: this card may be wiped{far}",
            body=" ".join((proven, *limits, CAUTION)),
            once=True,
        )
    return Matter(
        id=f"verdict no|{card.token}",
        subject=f"{name}: do not wipe this card",
        body=f"To see why, type: backupkeeper may-wipe {typed(card.point)}",
        urgent=True,
        once=True,
    )


def _no_room(view: View, made: Plan) -> Iterator[Matter]:
    full = {waiting.full: waiting.why for waiting in made.waiting if waiting.full is not None}
    for place, why in full.items():
        yield Matter(
            id=f"full|{place}", subject=f"{view.places[place].name} is full", body=why, urgent=True
        )
