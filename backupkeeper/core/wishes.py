"""Everything that could be done now, most urgent first, and what waits for something and for what.

One half of the planner: this finds the wishes, ``core.planner`` gives them devices. Pure.

The order (DESIGN section 8): what is on a card and nowhere else; what other machines know (a moment, and it
spares doing again what they did); a second copy; repairs; taking in what a
person put on a drive; looking at what changed; the verdict on a card; proofs that the night allows
(they have a budget, so what comes after them is never starved); posters; the third copy, which may take days
and can be held at any moment; last a restore drill, and, where nothing but uploads is at hand, old facts that may go. Within one kind: rolls with the fewest proven copies, then the newest
shoot; proofs: what was never proven, then what is due, then what is ageing, the oldest first.
"""

from collections.abc import Iterable, Iterator, Sequence
from typing import Final

from backupkeeper.core.deeds import (
    CardHere,
    Deed,
    DeedKind,
    DriveHere,
    RollNeed,
    Standing,
    View,
    Want,
)
from backupkeeper.core.drill_choice import drill_wish
from backupkeeper.core.fitness import obstacle, shares, subject, unfit
from backupkeeper.core.hearing import hearings
from backupkeeper.core.line import WAITS_FOR_HOURS
from backupkeeper.core.listing_wishes import listings
from backupkeeper.core.mend_wishes import repairs
from backupkeeper.core.model import Place, PlaceId, PlaceKind, Role, Standing as PlaceStanding
from backupkeeper.core.patience import waits
from backupkeeper.core.poster_wishes import posters
from backupkeeper.core.sending_order import rank
from backupkeeper.core.wish import LONG_AGO, Wish, Wishes

ORDER: Final = (
    DeedKind.OFFLOAD,
    DeedKind.HEAR,
    DeedKind.MIRROR,
    DeedKind.REPAIR,
    DeedKind.ADOPT,
    DeedKind.LOOK,
    DeedKind.JUDGE,
    DeedKind.PROVE,
    DeedKind.POSTERS,
    DeedKind.UPLOAD,
    DeedKind.DRILL,
    DeedKind.THIN,
)
COPY_NAMES: Final = {
    Role.PRIMARY: "main copy",
    Role.SECONDARY: "second copy",
    Role.CLOUD: "third copy",
}


def wishes(view: View) -> Wishes:
    """All that could be done."""
    found = Wishes()
    for wish in _all(view, found):
        reason, at = obstacle(view, wish.deed)
        if reason:
            found.wait(wish.deed, reason, at)
        else:
            found.ready.append(wish)
    # A total order, so that equal views give equal plans.
    found.ready.sort(
        key=lambda wish: (
            ORDER.index(wish.deed.kind),
            wish.part,
            wish.since,
            rank(wish.fewest, wish.shoot, wish.deed.key),
        )
    )
    return found


def _all(view: View, found: Wishes) -> Iterator[Wish]:
    for card in view.cards:
        yield from _of_card(view, card, found)
    yield from hearings(view)
    for need in view.needs:
        yield from _copies(view, need, found)
        yield from repairs(view, need, found)
        yield from _proofs(view, need, found)
        yield from _uploads(view, need, found)
    yield from listings(view, found)
    yield from posters(view)
    yield from drill_wish(view, found)
    for one in view.strange:
        if one.place in view.drives:
            why = f"{one.files} files lie in {one.folder} that no roll knows."
            yield Wish(
                deed=Deed(
                    kind=DeedKind.ADOPT,
                    why=why,
                    place=one.place,
                    folder=one.folder,
                    size_bytes=one.size_bytes,
                    files=one.files,
                )
            )
    for changed in view.changed:
        if changed.place in view.drives and changed.folders:
            why = "Files changed there, or it has just been plugged in."
            yield Wish(
                deed=Deed(kind=DeedKind.LOOK, why=why, place=changed.place, folders=changed.folders)
            )
    others = (*(one.deed for one in view.running), *(one.deed for one in found.ready))
    if view.thinning_due and all(one.kind is DeedKind.UPLOAD for one in others):  # they take days
        why = "Once a month facts of long ago are looked through for those that only repeat others."
        yield Wish(deed=Deed(kind=DeedKind.THIN, why=why))


# -- cards


def _of_card(view: View, card: CardHere, found: Wishes) -> Iterator[Wish]:
    if card.asked:
        yield Wish(deed=_verdict(card, "You asked whether it may be wiped.", asked=True))
    if not card.taken:
        if card.source is not None and card.auto_offload and not card.trouble:
            yield from _offload(view, card, found)
        return
    if card.asked or card.judged_at is not None or not card.folders:
        return
    deed = _verdict(card, "All its files should be proven: may it be wiped?")
    lacking = {
        role
        for need in view.needs
        if need.roll.folder in card.folders
        for role in need.gaps
        if role in view.wipe_needs
    }
    if lacking:
        names = " and ".join(sorted(COPY_NAMES[role] for role in lacking))
        found.wait(deed, f"Its files have no proven {names} yet.")
    else:
        yield Wish(deed=deed)


def _verdict(card: CardHere, why: str, *, asked: bool = False) -> Deed:
    return Deed(
        kind=DeedKind.JUDGE,
        why=why,
        card=card.token,
        source_name=card.source or card.label,
        size_bytes=card.size_bytes,
        files=card.file_count,
        asked=asked,
    )


def _offload(view: View, card: CardHere, found: Wishes) -> Iterator[Wish]:
    deed = Deed(
        kind=DeedKind.OFFLOAD,
        why="What is on the card is nowhere else yet.",
        card=card.token,
        source_name=card.source or "",
        shoot=card.shoot or "",
        size_bytes=card.size_bytes,
        files=card.file_count,
    )
    if card.shoot is None:
        found.wait(deed, "Its recordings have no date that a shoot could be named by.", person=True)
        return
    onto, reasons = [], []
    for drive in view.drives.values():
        reason = unfit(view, drive, card.size_bytes)
        if reason is not None:
            reasons.append(reason)
        elif not shares(drive.device, card.device):
            onto.append(drive.place)
    if not onto and not reasons:
        found.wait(deed, "No drive is here to copy to.", person=True)
    if not onto:
        for reason in reasons:
            found.wait(deed, reason.why, reason.at, full=reason.full, person=reason.person)
        return
    yield Wish(deed=_with_onto(deed, sorted(onto)))


def _with_onto(deed: Deed, onto: Sequence[PlaceId]) -> Deed:
    return Deed(
        kind=deed.kind,
        why=deed.why,
        card=deed.card,
        source_name=deed.source_name,
        shoot=deed.shoot,
        size_bytes=deed.size_bytes,
        files=deed.files,
        onto=tuple(onto),
    )


# -- copies on drives


def _copies(view: View, need: RollNeed, found: Wishes) -> Iterator[Wish]:
    for role in (Role.PRIMARY, Role.SECONDARY):
        if _is_being_copied(view, need, role):
            continue  # to another drive of that role perhaps: one is enough
        wanted = {
            place: want
            for place, want in need.wants.items()
            if view.places[place].role is role and view.places[place].kind is not PlaceKind.BUCKET
        }
        if not wanted:
            if role in need.gaps and not _stands(view, need, role):
                deed = Deed(
                    kind=DeedKind.MIRROR, why="", roll=need.roll.id, folder=need.roll.folder
                )
                found.wait(deed, f"There is no {role} drive: take one in.", person=True)
            continue
        yield from _copy(view, need, role, wanted, found)


def _is_being_copied(view: View, need: RollNeed, role: Role) -> bool:
    return any(
        running.deed.kind is DeedKind.MIRROR
        and running.deed.roll == need.roll.id
        and running.deed.place is not None
        and view.places[running.deed.place].role is role
        for running in view.running
    )


def _stands(view: View, need: RollNeed, role: Role) -> bool:
    return any(view.places[place].role is role for place in need.at)


def _copy(
    view: View, need: RollNeed, role: Role, wanted: dict[PlaceId, Want], found: Wishes
) -> Iterator[Wish]:
    """The copy of one roll in one role: to the drive that holds most of it, else has most room."""
    most = max(wanted.values(), key=lambda want: want.size_bytes)
    deed = Deed(
        kind=DeedKind.MIRROR,
        why=f"It lacks a {COPY_NAMES[role]}.",
        roll=need.roll.id,
        folder=need.roll.folder,
        size_bytes=most.size_bytes,
        files=most.files,
    )
    here = [view.drives[place] for place in wanted if place in view.drives]
    if not here:
        names = " or ".join(sorted(view.places[place].name for place in wanted))
        found.wait(deed, f"It waits for a {role} drive to be plugged in ({names}).", person=True)
        return
    reasons = {one.place: unfit(view, one, wanted[one.place].size_bytes) for one in here}
    fit = [one for one in here if reasons[one.place] is None]
    if not fit:
        for reason in filter(None, reasons.values()):
            found.wait(deed, reason.why, reason.at, full=reason.full, person=reason.person)
        return
    target = min(fit, key=lambda one: (-_held(need, one.place), -one.free_bytes, one.place))
    want = wanted[target.place]
    source = _source(view, want, target)
    if source is None:
        names = ", ".join(sorted(view.places[place].name for place in want.sources)) or "nowhere"
        found.wait(deed, f"Its proven copies are not here now ({names}).", person=True)
        return
    yield Wish(
        deed=Deed(
            kind=DeedKind.MIRROR,
            why=deed.why,
            place=target.place,
            source=source.place,
            roll=need.roll.id,
            folder=need.roll.folder,
            size_bytes=want.size_bytes,
            files=want.sources[source.place],
        ),
        fewest=need.fewest,
        shoot=need.roll.shoot,
    )


def _held(need: RollNeed, place: PlaceId) -> int:
    return need.at[place].files if place in need.at else 0


def _source(view: View, want: Want, target: DriveHere | None) -> DriveHere | None:
    """The drive to read from: that has most of what is wanted; among equals one that is idle."""
    taken = {
        disk
        for running in view.running
        if not running.held
        for place in running.deed.places
        if place in view.drives
        for disk in view.drives[place].device.split("+")
    }

    def rank(drive: DriveHere) -> tuple[int, bool, PlaceId]:
        is_taken = not taken.isdisjoint(drive.device.split("+"))
        return -want.sources[drive.place], is_taken, drive.place

    here = [
        view.drives[place]
        for place, files in want.sources.items()
        if files and place in view.drives and (target is None or place != target.place)
    ]
    ready = [
        one
        for one in here
        if one.place not in view.lent
        and waits(view.setbacks, [subject(view, one.place)], view.now) is None
    ]
    return min(ready or here, key=rank, default=None)


# -- proofs


def _proofs(view: View, need: RollNeed, found: Wishes) -> Iterator[Wish]:
    for place, standing in need.at.items():
        if view.places[place].kind is PlaceKind.BUCKET:
            continue
        count = standing.unproven_files + standing.ageing_files
        if not count and not (standing.vain and place in view.drives):
            continue
        deed = Deed(
            kind=DeedKind.PROVE,
            why=_why_prove(standing),
            place=place,
            roll=need.roll.id,
            folder=need.roll.folder,
            size_bytes=standing.unproven_bytes + standing.ageing_bytes,
            files=count,
            budget_s=None if _is_soon(standing) else view.hours.proof_s,
            before=standing.before,
        )
        if not count:
            found.wait(deed, f"It can't be shown now: {standing.vain}.", person=True)
        elif place not in view.drives:
            if standing.unproven_files:
                found.wait(deed, f"{view.places[place].name} is not here.", person=True)
        elif not _is_soon(standing) and view.hours.proof_s <= 0:
            found.wait(deed, "It waits for the night's proofs.", view.hours.changes_at)
        else:
            part = 0 if _is_soon(standing) else 1 if standing.unproven_files else 2
            yield Wish(deed=deed, part=part, since=standing.oldest_proof or LONG_AGO)


def _is_soon(standing: Standing) -> bool:
    """Whether it does not wait for the night."""
    return standing.never_proven or standing.neighbours


def _why_prove(standing: Standing) -> str:
    if standing.never_proven:
        return "It was written and not read since."
    if standing.neighbours:
        return "Another file of this roll was found damaged there: errors come in clusters."
    return "Its proof is too old." if standing.unproven_files else "Its proof is getting old."


# -- buckets


def _uploads(view: View, need: RollNeed, found: Wishes) -> Iterator[Wish]:
    for place in view.places.values():
        if place.kind is PlaceKind.BUCKET and place.standing is PlaceStanding.ACTIVE:
            yield from _upload(view, need, place, found)


def _upload(view: View, need: RollNeed, bucket: Place, found: Wishes) -> Iterator[Wish]:
    want, standing = need.wants.get(bucket.id), need.at.get(bucket.id)
    old_files = standing.unproven_files + standing.ageing_files if standing is not None else 0
    if want is None and not old_files:
        return
    old_bytes = standing.unproven_bytes + standing.ageing_bytes if standing is not None else 0
    source = _source(view, want, None) if want is not None else None
    size_bytes = (want.size_bytes if want is not None and source is not None else 0) + old_bytes
    deed = Deed(
        kind=DeedKind.UPLOAD,
        why="It lacks a third copy." if want is not None else "What is there should be looked at.",
        place=bucket.id,
        source=source.place if source is not None else None,
        roll=need.roll.id,
        folder=need.roll.folder,
        size_bytes=size_bytes,
        files=(want.files if want is not None and source is not None else 0) + old_files,
    )
    if source is None and not old_files:
        names = ", ".join(sorted(view.places[one].name for one in _sources(want))) or "nowhere"
        found.wait(deed, f"Its proven copies are not here now ({names}).", person=True)
    elif not view.hours.may_upload:
        found.wait(deed, view.hours.no_upload or WAITS_FOR_HOURS, view.hours.changes_at)
    else:
        yield Wish(deed=deed, fewest=need.fewest, shoot=need.roll.shoot)


def _sources(want: Want | None) -> Iterable[PlaceId]:
    return want.sources if want is not None else ()
