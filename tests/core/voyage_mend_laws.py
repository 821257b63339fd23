"""Laws about damage, said without the planner's code: when a repair may begin, and how all ends."""

from datetime import timedelta
from typing import TYPE_CHECKING

from backupkeeper.core.deeds import Deed, View
from backupkeeper.core.model import PlaceKind, Result, Role, Roll, Way
from tests.core.voyage_mending import harm_is_rot
from tests.core.voyage_parts import POLICY
from tests.core.voyage_rot import (
    BAD,
    BY_ITSELF,
    Stood,
    copies_standing,
    known_wrong,
    truly_wrong,
)
from tests.core.voyage_seen import unlisted

if TYPE_CHECKING:
    from tests.core.voyage import Voyage

DAY = timedelta(days=1)
MARGIN = 2 * DAY
"""What was found so lately may still be waiting, or in doubt with all its drive."""


def a_repair_may_begin(voyage: "Voyage", view: View, deed: Deed) -> None:
    """It can mend something, as far as anybody knows, and nothing of a person's."""
    assert view.auto_repair, f"{deed.key}: nobody wants repairs"
    assert deed.roll is not None
    standing = copies_standing(voyage, voyage.rolls[deed.roll])
    patients = [one for one in standing if one.place == deed.place and one.last.result in BY_ITSELF]
    assert patients, f"{deed.key}: nothing there is rotten (an edit is no rot)"
    for source in deed.sources:
        is_bucket = view.places[source].kind is PlaceKind.BUCKET
        assert is_bucket or source in view.drives, f"{deed.key}: {source} is not here"
    assert any(_could_be_mended(one, standing, deed) for one in patients), (
        f"{deed.key}: nobody it asks has what is lost"
    )


def _could_be_mended(one: Stood, standing: list[Stood], deed: Deed) -> bool:
    wrong_at = [
        known_wrong(each)
        for each in standing
        if each.file == one.file and each.place in deed.sources and each.spot != one.spot
    ]
    return bool(wrong_at) and not known_wrong(one).intersection(*wrong_at)


def proven_and_right(voyage: "Voyage", roll: Roll) -> int:
    """How many copies are believed to be whole, and are."""
    return sum(
        one.last.result is Result.MATCHES and one.spot not in voyage.rot
        for one in copies_standing(voyage, roll)
    )


# -- the end: everything was plugged in and worked for more than a week


def all_is_well(voyage: "Voyage") -> None:
    """What can be mended is, what can't is known and untouched, and no rot is older than a pass."""
    for spot in voyage.edits:
        assert voyage.rot[spot].result is Result.CHANGED, f"an edit is gone: {spot}"
    for roll in voyage.rolls.values():
        standing = copies_standing(voyage, roll)
        for one in standing:
            if voyage.places[one.place].kind is PlaceKind.DRIVE:
                _a_copy_is_well(voyage, one, standing)
        _neighbours_were_read(voyage, roll, standing)
    assert not unlisted(voyage), "a manifest still lacks in the bucket"
    _no_gap_without_a_reason(voyage)


def _a_copy_is_well(voyage: "Voyage", one: Stood, standing: list[Stood]) -> None:
    rot, is_known = voyage.rot.get(one.spot), one.last.result in BAD
    if rot is None:
        assert not is_known, f"{one.spot} is whole, and called {one.last.result}"
        return
    age = voyage.now - rot.since
    assert is_known or age < POLICY.drive_proof_age + MARGIN, f"{one.spot} rots since {rot.since}"
    if is_known and can_be_mended(voyage, one, standing):
        assert voyage.now - voyage.found[one.spot] < MARGIN, f"{one.spot} could be mended"


def can_be_mended(voyage: "Voyage", one: Stood, standing: list[Stood]) -> bool:
    """Whether each wrong block is right somewhere, in truth, and it is no person's work."""
    if voyage.rot[one.spot].result not in BY_ITSELF or one.last.result not in BY_ITSELF:
        return False
    others = [
        truly_wrong(voyage, each)
        for each in standing
        if each.file == one.file and each.spot != one.spot
    ]
    return bool(others) and not truly_wrong(voyage, one).intersection(*others)


def _neighbours_were_read(voyage: "Voyage", roll: Roll, standing: list[Stood]) -> None:
    """After rot was found, the rest of the roll on that drive was read (or on the same day)."""
    for spot, at in voyage.found.items():
        place, path = spot
        if not path.startswith(f"{roll.head.folder}/") or not harm_is_rot(voyage.was[spot].result):
            continue
        if voyage.now - at < MARGIN or voyage.places[place].kind is PlaceKind.BUCKET:
            continue
        for one in standing:
            if one.place == place and one.last.result not in BAD:
                reads = [
                    fact.at
                    for fact in voyage.facts[one.file.content]
                    if fact.place == place and fact.way in {Way.REHASH, Way.READBACK}
                ]
                assert max(reads) >= at - DAY, f"{one.spot} lies beside damage and was not read"


def _no_gap_without_a_reason(voyage: "Voyage") -> None:
    for folder, role in voyage.gaps():
        roll = next(one for one in voyage.rolls.values() if one.head.folder == folder)
        assert has_a_reason(voyage, roll), f"{folder} lacks its {role.value} copy for no reason"


def has_a_reason(voyage: "Voyage", roll: Roll) -> bool:
    """Whether a file of it has a copy that is known as bad and that nothing can mend by itself."""
    standing = copies_standing(voyage, roll)
    return any(
        one.last.result in BAD
        and (
            voyage.places[one.place].role is Role.CLOUD
            or voyage.now - voyage.found[one.spot] < MARGIN
            or not can_be_mended(voyage, one, standing)
        )
        for one in standing
    )
