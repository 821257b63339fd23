"""What a file lacks, each rule by hand (that mirrors do the same is held in the stories)."""

import pytest

from backupkeeper.core.lacking import lacks, one_a_place, wants
from backupkeeper.core.model import CopyState, PlaceId, Role, Standing
from backupkeeper.core.policy import ALL_ROLES, Policy
from tests.core.made_up_copies import MAIN, PLACES, TRAVEL, VAULT, copy, mapped, place

P, S, C = ALL_ROLES
SPARE = PlaceId("spare")
WITH_SPARE = PLACES | mapped(place(SPARE, P))
EVERYWHERE = [copy(MAIN), copy(TRAVEL), copy(VAULT)]


@pytest.mark.parametrize("state", [CopyState.PROVEN, CopyState.DUE, CopyState.WRITTEN])
def test_a_role_that_has_a_copy_wants_no_second_one(state: CopyState) -> None:
    copies = [copy(MAIN, state), *EVERYWHERE[1:]]
    assert not wants(copies, copies, WITH_SPARE[SPARE], WITH_SPARE, Policy())
    assert not wants(copies, copies, WITH_SPARE[MAIN], WITH_SPARE, Policy())


@pytest.mark.parametrize("state", [CopyState.MISSING, CopyState.OUT_OF_REACH])
def test_a_role_whose_copy_is_gone_wants_one(state: CopyState) -> None:
    copies = [copy(MAIN, state), *EVERYWHERE[1:]]
    assert wants(copies, copies, WITH_SPARE[SPARE], WITH_SPARE, Policy())


def test_a_role_that_shares_its_device_wants_one_only_where_that_would_count() -> None:
    shared = PLACES | mapped(place(TRAVEL, S, device=PLACES[MAIN].device))
    for device, expected in (("its own", True), (PLACES[MAIN].device, False), (None, False)):
        places = shared | mapped(place(SPARE, S, device=device))
        assert wants(EVERYWHERE, EVERYWHERE, places[SPARE], places, Policy()) is expected, device


def test_one_proven_copy_on_a_device_that_nobody_knows_wants_another() -> None:
    places = WITH_SPARE | mapped(place(MAIN, device=None))
    only = EVERYWHERE[:1]
    assert wants(only, only, places[SPARE], places, Policy())


def test_a_place_that_is_away_or_of_a_role_nobody_asks_for_wants_nothing() -> None:
    away = PLACES | mapped(place(SPARE, P, standing=Standing.LOST))
    assert not wants([], [], away[SPARE], away, Policy())
    assert not wants([], [], PLACES[VAULT], PLACES, Policy(roles=(P, S)))
    assert wants([], [], PLACES[VAULT], PLACES, Policy(roles=()))


@pytest.mark.parametrize(("asked", "filled"), [((P,), {P}), ((), {P, S, C}), ((S, C), {S, C})])
def test_only_roles_that_are_asked_for_are_filled(
    asked: tuple[Role, ...], filled: set[Role]
) -> None:
    assert lacks(EVERYWHERE, EVERYWHERE, PLACES, Policy(roles=asked)).filled == filled


def test_what_is_wanted_comes_from_every_drive_that_can_be_read_but_no_bucket() -> None:
    copies = [copy(SPARE, CopyState.DAMAGED), copy(MAIN, CopyState.DUE), copy(VAULT)]
    found = lacks(copies, copies, WITH_SPARE, Policy())
    assert found.wanted == {TRAVEL: {MAIN}}
    assert lacks([], copies[2:], WITH_SPARE, Policy()).wanted == {
        MAIN: frozenset(),
        TRAVEL: frozenset(),
        SPARE: frozenset(),
        VAULT: frozenset(),
    }


def test_of_two_names_at_one_place_the_better_copy_counts() -> None:
    bad, good = copy(MAIN, CopyState.DAMAGED), copy(MAIN)
    away = PLACES | mapped(place(SPARE, P, standing=Standing.RETIRED))
    for own in ([bad, good], [good, bad]):
        assert list(one_a_place([copy(SPARE), *own, copy(TRAVEL)], away)) == [good, copy(TRAVEL)]
