"""Sums of facts, weighed: each edge by hand (that all comes to the same is held in actions/test_sums.py)."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from backupkeeper.core.model import CopyState, Place, PlaceId, PlaceKind, Role, RollId, Standing
from backupkeeper.core.policy import Policy
from backupkeeper.core.standing import Scale
from backupkeeper.core.sums import (
    NEVER,
    Group,
    Home,
    Kind,
    RollSums,
    Slot,
    Weigher,
    first_steps,
    micros,
    of_odd,
)

NOW = datetime(2026, 6, 12, 18, 30, tzinfo=UTC)
DAY = timedelta(days=1)
MAIN, SPARE, VAULT = PlaceId("main"), PlaceId("spare"), PlaceId("vault")
ROLES = {MAIN: Role.PRIMARY, SPARE: Role.PRIMARY, VAULT: Role.CLOUD}


def days_ago(days: float) -> int:
    return micros(NOW - days * DAY)


def weigher(**changes: Any) -> Weigher:
    places = {
        ident: Place(
            id=ident,
            name=ident,
            role=role,
            kind=PlaceKind.DRIVE,
            created_at=NOW,
            location="/x",
            **(changes if ident == MAIN else {}),
        )
        for ident, role in ROLES.items()
    }
    return Weigher(places, Policy(), NOW)


def slot(
    kind: Kind,
    oldest: float,
    newest: float | None = None,
    *,
    place: PlaceId = MAIN,
    home: Home = Home.OWN,
    seen: float | None = None,
    fetched: float | None = None,
) -> Slot:
    """All in days before now; without ``newest`` all files are of one time."""
    last = oldest if newest is None else newest
    base = (NEVER, NEVER) if kind is Kind.NONE else (days_ago(oldest), days_ago(last))
    looks = base if seen is None else (days_ago(seen), days_ago(seen))
    fetches = (NEVER, NEVER) if fetched is None else (days_ago(fetched), days_ago(fetched))
    dates = [days_ago(last), *(at for pair in (base, looks, fetches) for at in pair)]
    return Slot(place, home, kind, *base, *looks, *fetches, max(dates), *base)


def states(one: Weigher, *slots: Slot) -> list[CopyState] | None:
    found = one.weigh(Group(2, 10, slots))
    return None if found is None else [state for _, state in found.stands]


P, D, W = CopyState.PROVEN, CopyState.DUE, CopyState.WRITTEN


@pytest.mark.parametrize(
    ("one", "state"),
    [
        (slot(Kind.NONE, 1), W),
        (slot(Kind.READ, 90), P),
        (slot(Kind.READ, 91), D),
        (slot(Kind.READ, 89, 1), P),
        (slot(Kind.READ, 91, 89), None),
        (slot(Kind.ATTESTED, 30), P),
        (slot(Kind.ATTESTED, 31), D),
        (slot(Kind.ATTESTED, 400, seen=30), P),
        (slot(Kind.FETCHED, 365), P),
        (slot(Kind.FETCHED, 366), D),
        (slot(Kind.BOTH, 400, fetched=300), P),
        (slot(Kind.BOTH, 800, fetched=366), D),
        (slot(Kind.BOTH, 800, fetched=366, seen=3), P),
        # Each of the two is young enough on its very last day.
        (slot(Kind.BOTH, 800, fetched=366, seen=30), P),
        (slot(Kind.BOTH, 800, fetched=365, seen=31), P),
        (slot(Kind.READ, 0), P),
        (slot(Kind.READ, -1), None),
    ],
)
def test_the_state_follows_from_kind_and_age(one: Slot, state: CopyState | None) -> None:
    assert states(weigher(), one) == (None if state is None else [state])


@pytest.mark.parametrize(
    ("one", "state"),
    [
        (slot(Kind.READ, 9), P),
        (slot(Kind.READ, 10), P),
        (slot(Kind.READ, 11), W),
        (slot(Kind.READ, 11, 10), None),
        (slot(Kind.READ, 11, 9), None),
        (slot(Kind.NONE, 9), W),
        (slot(Kind.BOTH, 11, fetched=9), None),
        (slot(Kind.BOTH, 12, fetched=11), W),
    ],
)
def test_of_a_place_that_came_back_only_what_came_after_counts(
    one: Slot, state: CopyState | None
) -> None:
    back = weigher(counts_from=NOW - 10 * DAY)
    assert states(back, one) == (None if state is None else [state])


def test_a_place_that_is_away_is_out_of_reach_and_an_unknown_one_is_nothing() -> None:
    away = weigher(standing=Standing.LOST)
    assert states(away, slot(Kind.READ, 1)) == [CopyState.OUT_OF_REACH]
    assert states(away, slot(Kind.READ, -1)) is None
    unknown = slot(Kind.READ, 1, place=PlaceId("other"))
    assert states(away, unknown) == []
    assert states(weigher(), unknown, slot(Kind.READ, 1)) == [P], "and hides none that is known"


def test_of_each_role_the_oldest_of_the_best_proofs_is_told() -> None:
    newer, older = slot(Kind.READ, 3, 1), slot(Kind.READ, 5, 2, place=SPARE)
    found = weigher().weigh(Group(2, 10, (newer, older)))
    assert found is not None
    assert found.oldest == {Role.PRIMARY: NOW - 3 * DAY, Role.SECONDARY: None, Role.CLOUD: None}
    assert (found.files, found.size_bytes, found.is_plain) == (2, 10, True)
    # A due one is told only where none is proven, wherever it comes in the order of proofs.
    due, attested = slot(Kind.READ, 95), slot(Kind.ATTESTED, 100, seen=2, place=SPARE)
    both = weigher().weigh(Group(1, 5, (due, attested)))
    assert both is not None
    assert both.oldest[Role.PRIMARY] == NOW - 100 * DAY
    two_due = weigher().weigh(Group(1, 5, (due, slot(Kind.READ, 97, place=SPARE))))
    assert two_due is not None
    assert two_due.oldest[Role.PRIMARY] == NOW - 95 * DAY


def sums(*groups: Group, odd: tuple[str, ...] = (), names: int = 0) -> RollSums:
    return RollSums(
        id=RollId("r"),
        number=1,
        sealed=0,
        stamp=1,
        groups=groups,
        odd=odd,
        odd_bytes=0,
        names={MAIN: names},
    )


def plain(one: RollSums, *, since: float = 10, **changes: Any) -> bool:
    return weigher(**changes).is_plain_at(one, MAIN, NOW - since * DAY)


@pytest.mark.parametrize(
    ("one", "expected"),
    [
        (slot(Kind.READ, 10), True),
        (slot(Kind.READ, 11, 9), False),
        (slot(Kind.NONE, 1), False),
        (slot(Kind.READ, -1), False),
        (slot(Kind.READ, 1, place=SPARE), False),
        (slot(Kind.READ, 1, home=Home.ELSEWHERE), False),
        (slot(Kind.ATTESTED, 99, seen=9), True),
        (slot(Kind.BOTH, 99, seen=9, fetched=50), False),
        (slot(Kind.BOTH, 99, fetched=9), True),
        (slot(Kind.READ, 0), True),
    ],
)
def test_a_roll_is_plain_at_a_place_where_each_file_was_proven_since(
    one: Slot, expected: bool
) -> None:
    assert plain(sums(Group(2, 10, (one,)))) is expected


def test_a_roll_is_not_plain_with_anything_odd_nothing_at_all_or_before_the_place_came_back() -> (
    None
):
    one = Group(2, 10, (slot(Kind.READ, 5),))
    assert plain(sums(one))
    assert not plain(sums(one, odd=("x",)))
    assert not plain(sums())
    assert not plain(sums(one), counts_from=NOW - 4 * DAY)
    assert plain(sums(one), counts_from=NOW - 5 * DAY)
    other = PlaceId("other")
    strange = sums(Group(2, 10, (slot(Kind.READ, 5, place=other),)))
    assert weigher().is_plain_at(strange, other, NOW - 10 * DAY), "it was never away"


def test_under_other_names_there_must_be_as_many_as_the_roll_has_files() -> None:
    one = Group(2, 10, (slot(Kind.READ, 5, home=Home.FOLDER),))
    assert not plain(sums(one, names=1))
    assert plain(sums(one, names=2))
    own = Group(2, 10, (slot(Kind.READ, 5),))
    assert not plain(sums(one, own, names=3)), "what stands under its own name makes up for none"
    single = sums(Group(1, 5, one.slots))
    assert not plain(replace(single, names={}))


def test_what_is_known_at_a_place_is_asked_of_the_rolls_own_folder() -> None:
    away = sums(Group(2, 10, (slot(Kind.READ, 5, home=Home.ELSEWHERE),)))
    assert away.places == frozenset()
    assert sums(Group(2, 10, (slot(Kind.NONE, 5),))).places == {MAIN}
    assert sums(Group(2, 10, ()), odd=("x",)).files == 3


def test_odd_files_are_named() -> None:
    found = of_odd(["a", "b"], 7)
    assert (found.files, found.size_bytes, found.is_plain, found.paths) == (2, 7, False, ("a", "b"))
    assert (found.stands, found.oldest) == ((), {}), "nothing is said of their copies"


def first(place: PlaceId, oldest: float | None, newest: float | None) -> Slot:
    """First proven so many days ago; None: some never were."""
    bounds = (NEVER if days is None else days_ago(days) for days in (oldest, newest))
    made, last = bounds
    return slot(Kind.NONE, 1, place=place)._replace(first=made, first_last=last)


@pytest.mark.parametrize(
    ("slots", "steps"),
    [
        ([], {}),
        ([first(MAIN, None, None)], {}),
        ([first(MAIN, None, 5)], None),
        ([first(MAIN, 15, 11)], {Role.PRIMARY: 1}),
        ([first(MAIN, 10, 10)], {Role.PRIMARY: 2}),
        ([first(MAIN, 15, 9)], None),
        # Of two places in one role the earlier counts, and what is before the sealing is of its day.
        ([first(MAIN, 9, 1), first(SPARE, 15, 12)], {Role.PRIMARY: 1}),
        ([first(SPARE, 15, 12), first(MAIN, 9, 1)], {Role.PRIMARY: 1}),
        ([first(SPARE, 15, 9), first(MAIN, 5, 5)], None),
        # Where one file never was, it was not proven in the step of the others.
        ([first(MAIN, None, 15)], None),
        ([first(MAIN, 400, 18)], {Role.PRIMARY: 1}),
        ([first(MAIN, 15, 15), first(VAULT, 5, 5)], {Role.PRIMARY: 1, Role.CLOUD: 2}),
        # What is dated after now is not known yet, and what is of this very moment is.
        ([first(MAIN, 0, 0)], {Role.PRIMARY: 3}),
        ([first(MAIN, -1, -2), first(VAULT, 5, 5)], {Role.CLOUD: 2}),
        ([first(MAIN, 5, -1)], None),
        ([first(PlaceId("other"), 5, 5)], {}),
    ],
)
def test_in_which_step_of_time_a_group_was_first_proven(
    slots: list[Slot], steps: dict[Role, int] | None
) -> None:
    scale = Scale(begin=NOW - 30 * DAY, length=10 * DAY, count=4)
    found = first_steps(Group(2, 10, tuple(slots)), ROLES, scale, days_ago(18), NOW)
    assert found == steps
