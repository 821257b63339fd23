"""Copies against roles: which roles are filled, how a roll is covered, which roll comes first."""

from datetime import timedelta
from itertools import combinations, permutations

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.model import Copy, CopyState, Place, PlaceId, Role, Roll, Standing, Way
from backupkeeper.core.outcomes import RoleProof, RollCover
from backupkeeper.core.policy import (
    ALL_ROLES,
    Policy,
    best_first,
    best_per_role,
    cover,
    filled_roles,
    worst_first,
)
from tests.core.made_up_copies import (
    CLIP,
    DAY,
    MAIN,
    NOW,
    PATH,
    PLACES,
    SOUND,
    TRAVEL,
    VAULT,
    copy,
    mapped,
    place,
    roll,
)

P, S, C = ALL_ROLES
POLICY = Policy()
ONE_DEVICE_WILL_DO = Policy(distinct_devices=False)
EVERYWHERE = [copy(MAIN), copy(TRAVEL), copy(VAULT)]


def filled(
    *places: Place,
    roles: tuple[Role, ...] = ALL_ROLES,
    policy: Policy = POLICY,
    not_on: str | None = None,
    state: CopyState = CopyState.PROVEN,
) -> set[Role]:
    copies = [copy(one.id, state) for one in places]
    return set(filled_roles(copies, mapped(*places), roles, policy, not_on=not_on))


# ---- which roles are filled


def test_three_devices_fill_three_roles() -> None:
    assert filled(*PLACES.values()) == {P, S, C}


@pytest.mark.parametrize("state", [one for one in CopyState if one is not CopyState.PROVEN])
def test_no_other_state_than_proven_fills_a_role(state: CopyState) -> None:
    assert filled(*PLACES.values(), state=state) == set()


def test_two_places_on_one_device_fill_the_role_that_is_wanted_more() -> None:
    both = place("a", P, device="disk"), place("b", S, device="disk")
    assert filled(*both) == {P}
    assert filled(*both, roles=(S, P)) == {S}
    assert filled(*both, policy=ONE_DEVICE_WILL_DO) == {P, S}


def test_a_second_place_of_a_role_frees_the_shared_device_for_the_other() -> None:
    assert filled(
        place("a", P, device="disk"), place("b", S, device="disk"), place("c", P, device="other")
    ) == {P, S}


def test_among_ways_to_fill_equally_many_the_most_wanted_roles_are_filled() -> None:
    places = (
        place("a", P, device="x"),
        place("b", P, device="y"),
        place("c", S, device="x"),
        place("d", C, device="y"),
    )
    assert filled(*places) == {P, S}
    assert filled(*places, roles=(P, C, S)) == {P, C}
    assert filled(*places, roles=(C, S, P)) == {C, S}


def test_a_device_that_is_not_known_fills_nothing_unless_one_device_will_do() -> None:
    unknown = place("a", P, device=None)
    assert filled(unknown) == set()
    assert filled(unknown, policy=ONE_DEVICE_WILL_DO) == {P}


def test_places_that_rest_on_one_disk_among_others_are_on_one_device() -> None:
    """A device on several disks is named ``one+two``."""
    striped, partition, other = "one+two", "two", "three+four"
    assert filled(place("a", P, device=striped), place("b", S, device=partition)) == {P}
    assert filled(place("a", P, device=striped), place("b", S, device="two+three")) == {P}
    assert filled(place("a", P, device=striped), place("b", S, device=other)) == {P, S}
    assert filled(place("a", P, device=striped), not_on=partition) == set()


def test_the_device_of_the_card_fills_nothing() -> None:
    assert filled(*PLACES.values(), not_on=PLACES[MAIN].device) == {S, C}


def test_a_role_that_is_not_asked_for_is_not_filled() -> None:
    assert filled(*PLACES.values(), roles=(S,)) == {S}
    assert filled(*PLACES.values(), roles=()) == set()
    assert filled(*PLACES.values(), roles=(S, S)) == {S}


devices = st.sampled_from(["u", "v", "w", "x", None])
proven_places = st.lists(st.tuples(st.sampled_from(Role), devices), max_size=8)


def most_wanted(
    have: list[tuple[Role, str | None]], roles: tuple[Role, ...], card: str | None
) -> set[Role]:
    """By trying every set of roles, the largest and most wanted first, with every deal of devices."""
    usable = {(role, device) for role, device in have if device is not None and device != card}
    every = sorted({device for _, device in usable})
    for count in range(len(roles), 0, -1):
        for some in combinations(roles, count):
            for dealt in permutations(every, count):
                if set(zip(some, dealt, strict=True)) <= usable:
                    return set(some)
    return set()


@given(proven_places, st.permutations(ALL_ROLES), st.integers(0, 3), devices)
def test_as_many_roles_are_filled_as_can_be_and_the_most_wanted(
    have: list[tuple[Role, str | None]], order: list[Role], asked: int, card: str | None
) -> None:
    roles = tuple(order[:asked])
    places = [place(f"p{n}", role, device=device) for n, (role, device) in enumerate(have)]
    assert filled(*places, roles=roles, not_on=card) == most_wanted(have, roles, card)


@given(proven_places, st.integers(0, 7))
def test_another_proven_copy_never_fills_fewer_roles(
    have: list[tuple[Role, str | None]], drop: int
) -> None:
    places = [place(f"p{n}", role, device=device) for n, (role, device) in enumerate(have)]
    fewer = [*places[:drop], *places[drop + 1 :]]
    assert len(filled(*places)) >= len(filled(*fewer))


# ---- the best copy of each role


def test_the_best_copy_of_a_role_is_told_with_its_proof() -> None:
    old = place("old")
    best = best_per_role(
        [copy(old.id, days_ago=9), copy(MAIN, days_ago=2), copy(TRAVEL, CopyState.WRITTEN)],
        PLACES | mapped(old),
        ALL_ROLES,
    )
    assert best == {
        P: RoleProof(state=CopyState.PROVEN, place=MAIN, proof=Way.REHASH, at=NOW - 2 * DAY),
        S: RoleProof(state=CopyState.WRITTEN, place=TRAVEL),
        C: RoleProof(state=CopyState.ABSENT),
    }


@pytest.mark.parametrize("better", range(len(CopyState) - 1))
def test_a_better_state_wins_whatever_the_order_and_the_age(better: int) -> None:
    states = list(CopyState)
    good = copy(MAIN, states[better], days_ago=80)
    bad = copy(MAIN, states[better + 1], days_ago=1, path="a")
    for copies in ([good, bad], [bad, good]):
        assert best_per_role(copies, PLACES, [P])[P].state is states[better]


def test_roles_that_are_not_asked_for_are_not_told() -> None:
    for role, at in ((P, MAIN), (S, TRAVEL), (C, VAULT)):
        (told,) = best_per_role(EVERYWHERE, PLACES, [role]).items()
        assert (told[0], told[1].place) == (role, at)


def test_among_equals_the_newest_proof_is_told_and_of_one_moment_the_first_by_name() -> None:
    others = [place(name) for name in ("a", "z")]
    places = PLACES | mapped(*others)
    for first, second, best in ((3, 5, "a"), (5, 3, "z"), (4, 4, "a")):
        copies = [copy(others[0].id, days_ago=first), copy(others[1].id, days_ago=second)]
        assert best_per_role(copies, places, [P])[P].place == best
        assert best_per_role(copies[::-1], places, [P])[P].place == best
    unproven = [copy(one.id, CopyState.WRITTEN) for one in others]
    assert best_per_role(unproven, places, [P])[P].place == "a"


def test_bytes_are_read_from_the_best_copy_and_from_the_main_drive_before_others() -> None:
    spare = place("a spare")
    copies = [
        copy(VAULT),
        copy(MAIN, CopyState.DUE),
        copy(TRAVEL),
        copy(TRAVEL, path="a"),
        copy(spare.id),
    ]
    for told in (copies, copies[::-1]):
        read = [(one.place, one.path) for one in best_first(told, PLACES | mapped(spare))]
        assert read == [
            (spare.id, PATH),
            (TRAVEL, PATH),
            (TRAVEL, "a"),
            (VAULT, PATH),
            (MAIN, PATH),
        ]


# ---- the cover of a roll

CLIPS = roll(("DCIM/A", CLIP, 1000), ("DCIM/B", SOUND, 30))
SOUND_EVERYWHERE = [copy(one, content=SOUND, days_ago=5) for one in (MAIN, TRAVEL, VAULT)]


def test_a_roll_that_is_proven_everywhere_has_no_gap() -> None:
    one = cover(CLIPS, {CLIP: EVERYWHERE, SOUND: SOUND_EVERYWHERE}, PLACES, POLICY)
    assert (one.gaps, one.bytes_at_risk, one.same_device) == ((), 0, False)
    assert one.roll == CLIPS.head
    assert {role: (c.state, c.places) for role, c in one.roles.items()} == {
        P: (CopyState.PROVEN, ("main",)),
        S: (CopyState.PROVEN, ("travel",)),
        C: (CopyState.PROVEN, ("vault",)),
    }
    assert one.roles[P].counts == {CopyState.PROVEN: 2}
    assert one.roles[P].oldest_proof == NOW - 5 * DAY


def test_one_file_that_falls_short_is_a_gap_of_its_bytes() -> None:
    short = [copy(MAIN), copy(TRAVEL, CopyState.DUE, days_ago=99)]
    one = cover(CLIPS, {CLIP: short, SOUND: SOUND_EVERYWHERE}, PLACES, POLICY)
    assert (one.gaps, one.bytes_at_risk, one.same_device) == ((S, C), 1000, False)
    assert one.roles[S].counts == {CopyState.DUE: 1, CopyState.PROVEN: 1}
    assert one.roles[S].oldest_proof == NOW - 99 * DAY
    assert (one.roles[C].state, one.roles[C].places) == (CopyState.ABSENT, ("vault",))


def test_a_role_is_as_good_as_its_worst_file_and_a_file_as_its_best_copy() -> None:
    spare = place("spare")
    one = cover(
        CLIPS,
        {
            CLIP: [copy(MAIN, CopyState.DAMAGED), copy(spare.id)],
            SOUND: [copy(MAIN, CopyState.WRITTEN, content=SOUND)],
        },
        PLACES | mapped(spare),
        POLICY,
    )
    assert one.roles[P].state is CopyState.WRITTEN
    assert one.roles[P].places == ("main", "spare")


def test_a_roll_is_proven_in_as_few_roles_as_its_worst_file() -> None:
    both = {CLIP: EVERYWHERE, SOUND: SOUND_EVERYWHERE}
    fewest = [
        cover(CLIPS, copies, PLACES, POLICY).fewest
        for copies in (both, both | {SOUND: SOUND_EVERYWHERE[:1]}, both | {SOUND: []})
    ]
    assert fewest == [3, 1, 0]
    assert cover(roll(), {}, PLACES, POLICY).fewest == 0


@pytest.mark.parametrize("state", list(CopyState))
def test_only_a_place_where_a_file_stands_is_said_to_hold_it(state: CopyState) -> None:
    one = cover(roll(("A", CLIP, 1)), {CLIP: [copy(MAIN, state)]}, PLACES, POLICY)
    stands = state in {CopyState.PROVEN, CopyState.DUE, CopyState.WRITTEN, CopyState.DAMAGED}
    assert one.roles[P].places == (("main",) if stands else ())


def test_a_roll_without_files_is_a_gap_in_every_role() -> None:
    one = cover(roll(), {}, PLACES, POLICY)
    assert one.gaps == ALL_ROLES
    assert {c.state for c in one.roles.values()} == {CopyState.ABSENT}


@pytest.mark.parametrize("files", [(), (("A", CLIP, 7),)], ids=["no file", "one file"])
def test_a_policy_that_wants_no_role_is_not_all_well(
    files: tuple[tuple[str, str, int], ...],
) -> None:
    empty = Policy(roles=())
    one = cover(roll(*files), {}, PLACES, empty)  # type: ignore[arg-type] # plain text for a digest
    assert one.gaps == ALL_ROLES
    assert one.bytes_at_risk == sum(size for *_, size in files)


def test_a_role_wanted_twice_is_one_gap() -> None:
    assert cover(CLIPS, {}, PLACES, Policy(roles=(P, P))).gaps == (P,)


def test_two_roles_on_one_device_are_a_gap_and_said_to_be() -> None:
    shared = PLACES | mapped(place(TRAVEL, S, device=PLACES[MAIN].device))
    one = cover(roll(("A", CLIP, 7)), {CLIP: EVERYWHERE}, shared, POLICY)
    assert (one.gaps, one.same_device, one.bytes_at_risk) == ((S,), True, 7)
    assert one.roles[S].state is CopyState.PROVEN
    relaxed = cover(roll(("A", CLIP, 7)), {CLIP: EVERYWHERE}, shared, ONE_DEVICE_WILL_DO)
    assert (relaxed.gaps, relaxed.same_device) == ((), False)


def test_a_copy_of_a_role_that_is_not_wanted_neither_helps_nor_harms() -> None:
    one = cover(roll(("A", CLIP, 7)), {CLIP: EVERYWHERE}, PLACES, Policy(roles=(P,)))
    assert one.gaps == ()
    assert set(one.roles) == {P}


def test_a_lost_place_holds_nothing() -> None:
    lost = PLACES | mapped(place(MAIN, standing=Standing.LOST))
    copies = [copy(MAIN, CopyState.OUT_OF_REACH)]
    one = cover(roll(("A", CLIP, 7)), {CLIP: copies}, lost, POLICY)
    assert (one.roles[P].state, one.roles[P].places) == (CopyState.OUT_OF_REACH, ())


copies_anywhere = st.lists(
    st.builds(
        copy,
        st.sampled_from([MAIN, TRAVEL, VAULT]),
        st.sampled_from([CopyState.PROVEN] * 4 + list(CopyState)),
        content=st.sampled_from([CLIP, SOUND]),
        path=st.sampled_from(["a", "b"]),
    ),
    max_size=10,
)


@given(copies_anywhere)
def test_a_roll_has_no_gap_only_if_each_file_is_proven_in_each_role(copies: list[Copy]) -> None:
    by_content = {
        content: [one for one in copies if one.content == content] for content in (CLIP, SOUND)
    }
    one = cover(CLIPS, by_content, PLACES, POLICY)
    proven = {(c.content, c.place) for c in copies if c.state is CopyState.PROVEN}
    wanting = {(file, where) for file in (CLIP, SOUND) for where in PLACES} - proven
    assert set(one.gaps) == {PLACES[where].role for _, where in wanting}
    assert one.bytes_at_risk == sum(
        file.size for file in CLIPS.files if file.content in {content for content, _ in wanting}
    )
    for role_cover in one.roles.values():
        assert sum(role_cover.counts.values()) == len(CLIPS.files)


# ---- which roll comes first


def covered(of: Roll, *at: PlaceId) -> RollCover:
    return cover(of, {CLIP: [copy(where) for where in at]}, PLACES, POLICY)


def test_rolls_are_told_worst_first() -> None:
    nowhere = covered(roll(("A", CLIP, 1), name="Roll 01"))
    big = covered(roll(("A", CLIP, 900), name="Roll 02"), MAIN)
    small = covered(roll(("A", CLIP, 9), name="Roll 03"), MAIN)
    older = covered(roll(("A", CLIP, 9), name="Roll 09", shoot="260611 Boatyard"), MAIN)
    whole = covered(roll(("A", CLIP, 10**12), name="Roll 04"), MAIN, TRAVEL, VAULT)
    right = (nowhere, big, small, older, whole)
    for told in permutations(right):
        assert worst_first(told) == right
    assert worst_first([]) == ()


def test_ages_are_days_of_24_hours() -> None:
    assert POLICY.drive_proof_age == timedelta(hours=24 * 90)
