"""What a roll lacks, and what could be done about it, file by file."""

from dataclasses import replace
from datetime import timedelta

import pytest

from backupkeeper.core.deeds import RollNeed
from backupkeeper.core.fitting import possible_paths
from backupkeeper.core.lacking import wants
from backupkeeper.core.lying import Trees, own_copies
from backupkeeper.core.model import (
    Fact,
    Place,
    PlaceId,
    Result,
    Role,
    Roll,
    Standing,
    Way,
)
from backupkeeper.core.needs import (
    VAIN,
    Circumstances,
    Proof,
    need_of,
    proof_wanted,
    young_for,
)
from backupkeeper.core.policy import Policy, copies_of
from tests.core.made_up_copies import (
    CLIP,
    DAY,
    MAIN,
    NOW,
    PLACES,
    TRAVEL,
    VAULT,
    fact,
    mapped,
    place,
    roll,
)

LEAD = timedelta(days=14)
SPARE = PlaceId("spare")
ROLL = roll(("DCIM/CLIP0001.MP4", CLIP, 100))
WELL = (
    fact(Way.REHASH, 1),
    fact(Way.REHASH, 1, place=TRAVEL),
    fact(Way.ATTESTED, 1, place=VAULT),
)


def around(places: dict[PlaceId, Place] = PLACES, **changes: object) -> Circumstances:
    values = {"places": places, "policy": Policy(), "now": NOW, "lead": LEAD, **changes}
    return Circumstances(**values)  # type: ignore[arg-type]  # made up by name


def need(*facts: Fact, at: Circumstances | None = None, of: Roll | None = None) -> RollNeed | None:
    at = at or around()
    copies = copies_of(facts, at.places, at.policy, at.now)
    return need_of(of or ROLL, copies, at)


def some(*facts: Fact, at: Circumstances | None = None) -> RollNeed:
    found = need(*facts, at=at)
    assert found is not None
    return found


def test_a_roll_that_is_well_needs_nothing() -> None:
    assert need(*WELL) is None


def test_a_roll_without_files_is_a_gap_that_nothing_closes() -> None:
    empty = replace(ROLL, files=())
    found = need(of=empty)
    assert found is not None
    assert (found.gaps, found.fewest, found.wants) == (tuple(Role), 0, {})


def test_what_a_role_lacks_is_wanted_at_its_places_and_says_where_it_could_come_from() -> None:
    found = some(WELL[0])
    assert found.gaps == (Role.SECONDARY, Role.CLOUD)
    assert set(found.wants) == {TRAVEL, VAULT}
    assert found.wants[TRAVEL].sources == {MAIN: 1}
    assert found.wants[TRAVEL].files == 1
    assert found.fewest == 1


def test_a_bucket_is_no_drive_to_copy_from() -> None:
    assert some(WELL[2]).wants[MAIN].sources == {}


@pytest.mark.parametrize(
    "result", [Result.DAMAGED, Result.CHANGED, Result.UNREADABLE], ids=lambda one: one.value
)
def test_a_bad_copy_is_told_and_nothing_is_brought_over_it(result: Result) -> None:
    found = some(*WELL[1:], fact(Way.REHASH, 0, result))
    assert found.at[MAIN].damaged_files == 1
    assert MAIN not in found.wants
    assert found.gaps == (Role.PRIMARY,)


def test_a_missing_copy_is_told_and_brought_again() -> None:
    found = some(*WELL[1:], fact(Way.LOOKED, 0, Result.MISSING))
    assert found.at[MAIN].missing_files == 1
    assert found.wants[MAIN].sources == {TRAVEL: 1}


def test_a_copy_that_was_written_and_not_read_wants_reading() -> None:
    found = some(*WELL[1:], fact(Way.WRITTEN, 1))
    assert (found.at[MAIN].unproven_files, found.at[MAIN].never_proven) == (1, True)
    assert MAIN not in found.wants


def test_a_proof_that_is_too_old_wants_making_again() -> None:
    found = some(*WELL[1:], fact(Way.REHASH, 91))
    assert (found.at[MAIN].unproven_files, found.at[MAIN].never_proven) == (1, False)
    assert found.at[MAIN].oldest_proof == NOW - 91 * DAY


def test_a_proof_that_will_soon_be_too_old_is_ageing_and_no_gap() -> None:
    found = some(*WELL[1:], fact(Way.REHASH, 77))
    assert (found.gaps, found.at[MAIN].ageing_files, found.at[MAIN].unproven_files) == ((), 1, 0)
    assert need(*WELL[1:], fact(Way.REHASH, 75)) is None


def test_due_where_another_place_of_the_role_is_proven_is_only_ageing() -> None:
    places = {**PLACES, **mapped(place(SPARE, Role.SECONDARY))}
    found = some(*WELL, fact(Way.REHASH, 200, place=SPARE), at=around(places))
    assert (found.gaps, found.at[SPARE].ageing_files) == ((), 1)


def test_a_look_keeps_an_attested_object_young() -> None:
    old, look = fact(Way.ATTESTED, 29, place=VAULT), fact(Way.LOOKED, 1, place=VAULT)
    assert some(*WELL[:2], old).at[VAULT].ageing_files == 1
    assert need(*WELL[:2], old, look) is None


def test_reading_again_in_the_same_mount_is_vain_where_it_was_warm() -> None:
    warm = replace(fact(Way.REHASH, 0), cold=False, mount="token")
    told = [*WELL[1:], fact(Way.WRITTEN, 1), warm]
    here = around(mounted={MAIN: "token"})
    assert (some(*told, at=here).at[MAIN].vain, some(*told, at=here).at[MAIN].unproven_files) == (
        VAIN,
        0,
    )
    again = around(mounted={MAIN: "another"})
    assert some(*told, at=again).at[MAIN].unproven_files == 1


def test_places_that_are_lost_want_nothing_and_count_for_nothing() -> None:
    lost = {**PLACES, MAIN: replace(PLACES[MAIN], standing=Standing.LOST)}
    found = some(*WELL, at=around(lost))
    assert (found.gaps, MAIN in found.wants, MAIN in found.at) == ((Role.PRIMARY,), False, False)


def test_two_places_on_one_disk_want_a_copy_on_another() -> None:
    """Main and Travel share a disk: only a drive of its own closes the gap."""
    shared = {**PLACES, TRAVEL: replace(PLACES[TRAVEL], device=PLACES[MAIN].device)}
    assert some(*WELL, at=around(shared)).wants == {}
    more = {**shared, **mapped(place(SPARE, Role.SECONDARY))}
    found = some(*WELL, at=around(more))
    assert (set(found.wants), found.same_device) == ({SPARE}, True)


def test_a_role_that_nobody_asks_for_wants_nothing() -> None:
    policy = Policy(roles=(Role.PRIMARY,), wipe_needs=(Role.PRIMARY,))
    assert need(WELL[0], at=around(policy=policy)) is None
    every = list(copies_of([WELL[0]], PLACES, policy, NOW)[CLIP])
    assert not wants(every, every, PLACES[TRAVEL], PLACES, policy)


def test_copies_elsewhere_than_in_the_rolls_own_tree_are_not_its_own() -> None:
    other = fact(Way.REHASH, 1, path="260613 Boatyard/Originals/Close/Roll 01/A.MP4")
    close = "260613 Boatyard/Originals/Close/Roll 01"
    trees = Trees(folders=frozenset([close]), homes=lambda _: {CLIP: [(close, "A.MP4")]})
    found = some(other, *WELL[1:], at=replace(around(), trees=lambda: trees))
    assert found.wants[MAIN].sources == {MAIN: 1, TRAVEL: 1} or found.wants[MAIN].sources == {
        TRAVEL: 1
    }
    assert MAIN not in found.at


def test_a_drive_that_has_all_of_a_roll_under_its_own_paths_wants_nothing() -> None:
    other = fact(Way.REHASH, 1, path="Mine/A.MP4")
    assert need(other, *WELL[1:]) is None


def test_of_two_names_at_one_place_the_better_copy_counts() -> None:
    """A drive that could not hold a name, and later could: both paths may be the file's."""
    name = "a:b" + "x" * 20
    one = roll((f"DCIM/{name}", CLIP, 100))
    homes = sorted(possible_paths(one.head.folder, [f"DCIM/{name}"])[f"DCIM/{name}"])
    assert len(homes) > 1
    elsewhere = [replace(one, path=homes[0]) for one in WELL[1:]]
    proven, bad = fact(Way.REHASH, 1), fact(Way.REHASH, 0, Result.DAMAGED)
    for first, second in (homes[:2], homes[1::-1]):
        facts = [replace(proven, path=first), replace(bad, path=second)]
        assert need(*elsewhere, *facts, of=one) is None
        assert need(*elsewhere, *facts[::-1], of=one) is None
        copies = copies_of(facts, PLACES, Policy(), NOW)[CLIP]
        assert len(own_copies(one.files[0], frozenset(homes), copies)) == 2


def test_the_lead_never_takes_more_than_half_of_an_age() -> None:
    policy = Policy(attested_age=timedelta(days=10))
    assert young_for(Way.ATTESTED, policy, LEAD) == timedelta(days=5)
    assert young_for(Way.REHASH, policy, LEAD) == timedelta(days=76)


def test_a_copy_that_is_fresh_wants_no_proof() -> None:
    (copy,) = copies_of([WELL[0]], PLACES, Policy(), NOW)[CLIP]
    assert proof_wanted(copy, around()) is Proof.NOT_WANTED
