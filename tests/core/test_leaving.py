"""What it means that a place is lost: told from made-up copies, before it is so."""

from dataclasses import replace

import pytest

from backupkeeper.core.errors import UsageError
from backupkeeper.core.leaving import (
    NEW_PLACE,
    Leaving,
    RollLeft,
    most_endangered_first,
    roll_left,
    targets_for,
    total,
)
from backupkeeper.core.model import Copy, CopyState, Place, PlaceId, Role, Roll, Standing
from backupkeeper.core.named import place_named
from backupkeeper.core.policy import Policy
from tests.core.made_up_copies import (
    CLIP,
    MAIN,
    PLACES,
    SOUND,
    TRAVEL,
    VAULT,
    copy,
    mapped,
    place,
    roll as made_roll,
)

POLICY = Policy()
PROVEN, DUE, WRITTEN = CopyState.PROVEN, CopyState.DUE, CopyState.WRITTEN
ROLL = made_roll(("DCIM/CLIP0001.MP4", CLIP, 1000))
SIZE = ROLL.files[0].size


def left(
    *copies: Copy,
    leaving: Place = PLACES[MAIN],
    places: dict[PlaceId, Place] | None = None,
    roll: Roll = ROLL,
    new: str | None = None,
    policy: Policy = POLICY,
) -> RollLeft | None:
    known = places or PLACES
    return roll_left(
        roll, {CLIP: copies}, leaving, known, targets_for(leaving, known, new=new), policy
    )


def test_what_is_proven_elsewhere_opens_a_gap_and_is_copied_from_there() -> None:
    found = left(copy(MAIN), copy(TRAVEL), copy(VAULT))
    assert found == RollLeft(
        roll=ROLL.head,
        held=(1, SIZE),
        opens=True,
        has_gap=True,
        copied=(1, SIZE),
        sources={TRAVEL: (1, SIZE)},
    )


def test_a_drive_is_read_before_a_bucket_even_where_its_proof_is_old() -> None:
    found = left(copy(MAIN), copy(TRAVEL, DUE), copy(VAULT))
    assert found is not None
    assert found.sources == {TRAVEL: (1, SIZE)}
    only = left(copy(MAIN), copy(VAULT))
    assert only is not None
    assert only.sources == {VAULT: (1, SIZE)}


@pytest.mark.parametrize(
    ("elsewhere", "last", "sources"),
    [
        (None, 1, {}),
        (CopyState.DAMAGED, 1, {}),
        (WRITTEN, 0, {}),
        (DUE, 0, {TRAVEL: (1, SIZE)}),
    ],
)
def test_what_has_no_other_proven_copy_is_alone(
    elsewhere: CopyState | None, last: int, sources: dict[PlaceId, tuple[int, int]]
) -> None:
    others = [] if elsewhere is None else [copy(TRAVEL, elsewhere)]
    found = left(copy(MAIN), *others)
    assert found is not None
    assert found.alone == (1, SIZE)
    assert found.last == (last, last * SIZE)
    assert found.sources == sources
    assert found.nowhere == ((0, 0) if sources else (1, SIZE))


def test_a_roll_of_which_nothing_is_there_loses_nothing() -> None:
    assert left(copy(TRAVEL), copy(VAULT)) is None
    assert left(copy(MAIN, CopyState.MISSING), copy(TRAVEL)) is None


def test_where_another_place_of_the_role_has_it_nothing_is_copied() -> None:
    spare = place("spare")
    found = left(
        copy(MAIN),
        copy(spare.id),
        copy(TRAVEL),
        copy(VAULT),
        places={**PLACES, **mapped(spare)},
    )
    assert found == RollLeft(roll=ROLL.head, held=(1, SIZE), opens=False, has_gap=False)


def test_a_role_that_is_not_asked_for_wants_nothing() -> None:
    found = left(copy(MAIN), copy(TRAVEL), policy=Policy(roles=(Role.SECONDARY,)))
    assert found is not None
    assert (found.has_gap, found.copied, found.nowhere) == (False, (0, 0), (0, 0))


def test_a_gap_that_is_there_already_is_no_news() -> None:
    found = left(copy(MAIN, CopyState.DAMAGED), copy(TRAVEL), copy(VAULT))
    assert found is not None
    assert (found.opens, found.has_gap) == (False, True)


def test_a_file_that_is_known_nowhere_is_not_promised_to_be_copied() -> None:
    sound = replace(ROLL.files[0], path="SOUND/A.WAV", content=SOUND)
    two = replace(ROLL, files=(*ROLL.files, sound))
    found = left(copy(MAIN), copy(TRAVEL), roll=two)
    assert found is not None
    assert (found.held, found.copied, found.nowhere) == ((1, SIZE), (1, SIZE), (0, 0))


def test_targets_are_the_active_places_of_the_role_or_one_that_is_to_come() -> None:
    spare, old = place("spare"), place("old", standing=Standing.RETIRED)
    known = {**PLACES, **mapped(spare, old)}
    assert targets_for(PLACES[MAIN], known, new=None) == [spare]
    (new,) = targets_for(PLACES[MAIN], known, new="Main 2")
    assert (new.id, new.name, new.role, new.device) == (
        NEW_PLACE, "Main 2", Role.PRIMARY, NEW_PLACE,
    )  # fmt: skip
    (to_come,) = targets_for(PLACES[VAULT], PLACES, new=None)
    assert (to_come.id, to_come.role) == (NEW_PLACE, Role.CLOUD)


def some(folder: str, *, last: int = 0, alone: int = 0, opens: bool = False) -> RollLeft:
    return RollLeft(
        roll=replace(ROLL.head, folder=folder),
        held=(3, 30),
        opens=opens,
        has_gap=opens,
        alone=(alone, alone * 10),
        last=(last, last * 10),
        copied=(1, 10),
        sources={TRAVEL: (1, 10)} if alone else {VAULT: (1, 7), TRAVEL: (1, 1)},
    )


def test_the_most_endangered_stand_first_and_the_sums_are_of_all() -> None:
    rolls = [some("a"), some("b", opens=True), some("c", alone=1), some("d", last=1, alone=1)]
    ordered = most_endangered_first([*rolls, some("e")])
    assert [one.roll.folder for one in ordered] == ["d", "c", "b", "e", "a"]
    leaving = Leaving(place=PLACES[MAIN], standing=Standing.LOST, rolls=ordered, places=PLACES)
    assert (leaving.alone, leaving.copied, leaving.with_gaps) == ((2, 20), (5, 50), 1)
    assert leaving.sources() == {TRAVEL: (5, 23), VAULT: (3, 21)}
    assert list(leaving.sources()) == [TRAVEL, VAULT]
    assert not leaving.wants_a_word
    assert replace(leaving, standing=Standing.RETIRED).wants_a_word
    assert total([]) == (0, 0)


def test_a_place_is_found_by_its_name_and_a_wrong_one_is_answered() -> None:
    places = (place("Main"), place("Travel"), place("travel"))
    assert place_named(places, "MAIN").name == "Main"
    assert place_named(places, "travel").name == "travel"
    assert place_named(places, "TRAVEL").name == "Travel"
    with pytest.raises(UsageError, match="Mian") as near:
        place_named(places, "Mian")
    assert near.value.advice == "Did you mean Main?"
    with pytest.raises(UsageError) as far:
        place_named(places, "zzz")
    assert far.value.advice == "There are: Main, Travel, travel."
    with pytest.raises(UsageError) as none:
        place_named((), "Main")
    assert none.value.advice == "There are: none yet."
