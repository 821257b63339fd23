"""Repairs that can begin now, what others wait for, and that none is planned in vain."""

from datetime import timedelta
from typing import Any

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.deeds import (
    Deed,
    DeedKind,
    Hours,
    Needed,
    RollNeed,
    Running,
    Setback,
    Standing,
)
from backupkeeper.core.model import PlaceId, Role
from backupkeeper.core.patience import subject_of_bucket, subject_of_drive
from backupkeeper.core.planner import plan
from tests.core.made_up_copies import MAIN, NOW, PLACES, TRAVEL, VAULT, mapped, place
from tests.core.made_up_views import BOTH, GB, SECOND, THIRD, drive, need, view

SPARE = PlaceId("spare")
MORE = {**PLACES, **mapped(place(SPARE, Role.SECONDARY))}
EVERY = {**BOTH, SPARE: drive(SPARE)}


def sets(*places: set[PlaceId]) -> Needed:
    return tuple(frozenset(one) for one in places)


def hurt(mendable: dict[Needed, tuple[int, int]], at: PlaceId = MAIN, **changes: Any) -> RollNeed:
    standing = Standing(files=9, size_bytes=9 * GB, damaged_files=3, mendable=mendable)
    return need(at={at: standing}, **changes)


BY_EITHER = hurt({sets({TRAVEL, VAULT}): (1, GB)})
BY_TRAVEL = hurt({sets({TRAVEL}): (1, GB)})
BY_VAULT = hurt({sets({VAULT}): (1, GB)})


def repairs(*needs: RollNeed, **changes: Any) -> list[Deed]:
    made = plan(view(needs=needs, **changes))
    return [deed for deed in made.start if deed.kind is DeedKind.REPAIR]


def waits(*needs: RollNeed, **changes: Any) -> tuple[str, bool]:
    made = plan(view(needs=needs, **changes))
    assert not [deed for deed in made.start if deed.kind is DeedKind.REPAIR]
    (waiting,) = [one for one in made.waiting if one.deed.kind is DeedKind.REPAIR]
    return waiting.why, waiting.person


def test_a_damaged_file_is_mended_from_a_drive_that_is_here_before_a_bucket() -> None:
    (deed,) = repairs(BY_EITHER)
    assert (deed.place, deed.sources, deed.files, deed.size_bytes) == (MAIN, (TRAVEL,), 1, GB)
    (deed,) = repairs(BY_EITHER, drives={MAIN: BOTH[MAIN]})
    assert deed.sources == (VAULT,)


def test_only_files_that_can_be_mended_whole_now_are_counted() -> None:
    both = hurt({sets({TRAVEL}): (2, 2 * GB), sets({SPARE}): (1, GB)})
    (deed,) = repairs(both, places=MORE)
    assert (deed.files, deed.size_bytes, deed.sources) == (2, 2 * GB, (TRAVEL,))
    (deed,) = repairs(both, places=MORE, drives=EVERY)
    assert (deed.files, deed.size_bytes, deed.sources) == (3, 3 * GB, (SPARE, TRAVEL))


def test_a_file_whose_blocks_are_right_at_different_places_needs_all_of_them() -> None:
    split = hurt({sets({TRAVEL}, {SPARE}): (1, GB)})
    (deed,) = repairs(split, places=MORE, drives=EVERY)
    assert deed.sources == (SPARE, TRAVEL)
    assert waits(split, places=MORE) == (
        "It waits for a copy that has the right bytes (spare).",
        True,
    )


def test_what_only_wants_cutting_needs_nobody() -> None:
    (deed,) = repairs(hurt({(): (1, GB)}), drives={MAIN: BOTH[MAIN]})
    assert deed.sources == ()


def test_nothing_is_mended_where_the_person_wants_to_do_it_or_the_drive_is_not_here() -> None:
    for changes in ({"auto_repair": False}, {"drives": {TRAVEL: BOTH[TRAVEL]}}):
        made = plan(view(needs=(BY_EITHER,), **changes))
        assert (made.start, made.waiting) == ((), ())


def test_where_its_helper_is_not_here_it_waits_for_a_person() -> None:
    why, person = waits(BY_TRAVEL, drives={MAIN: BOTH[MAIN]})
    assert (why, person) == ("It waits for a copy that has the right bytes (travel).", True)


@pytest.mark.parametrize(
    "changes",
    [
        {"hours": Hours(may_upload=False)},
        {"lent": {VAULT: "verify"}},
        {"setbacks": {subject_of_bucket(VAULT): Setback(count=3, last_at=NOW, message="No line.")}},
    ],
    ids=["not its hours", "lent", "no line"],
)
def test_a_bucket_that_may_not_be_asked_now_is_waited_for_and_no_person_can_help(
    changes: dict[str, Any],
) -> None:
    assert waits(BY_VAULT, **changes) == (
        "It waits for a copy that has the right bytes (vault).",
        False,
    )


@pytest.mark.parametrize(
    "changes",
    [
        {"lent": {TRAVEL: "verify"}},
        {
            "setbacks": {
                subject_of_drive(TRAVEL, "token of travel"): Setback(
                    count=3, last_at=NOW, message="It gave up."
                )
            }
        },
    ],
    ids=["lent", "failing"],
)
def test_a_drive_that_can_not_be_read_now_is_not_asked(changes: dict[str, Any]) -> None:
    assert waits(BY_TRAVEL, **changes)[1] is False
    (deed,) = repairs(BY_EITHER, **changes)
    assert deed.sources == (VAULT,)


def test_it_is_looked_at_again_when_its_helper_is_tried_again() -> None:
    failed = {subject_of_bucket(VAULT): Setback(count=1, last_at=NOW, message="No line.")}
    made = plan(view(needs=(BY_VAULT,), setbacks=failed))
    assert made.wake_at == NOW + timedelta(minutes=1)
    assert repairs(BY_VAULT, setbacks=failed, now=made.wake_at)


def test_a_repair_that_failed_waits_its_time_and_a_drive_that_failed_too() -> None:
    (deed,) = repairs(BY_EITHER)
    failed = {deed.key: Setback(count=1, last_at=NOW, message="It came to nothing.")}
    assert waits(BY_EITHER, setbacks=failed)[0].startswith("It failed once: It came to nothing.")
    token = subject_of_drive(MAIN, "token of main")
    made = {token: Setback(count=1, last_at=NOW, message="It gave up.")}
    assert waits(BY_EITHER, setbacks=made) == ("main failed: It gave up.", False)


def test_nothing_is_mended_onto_a_full_or_read_only_drive() -> None:
    full = {**BOTH, MAIN: drive(MAIN, free_bytes=GB)}
    assert "main is full" in waits(BY_EITHER, drives=full)[0]
    locked = {**BOTH, MAIN: drive(MAIN, read_only=True)}
    assert waits(BY_EITHER, drives=locked) == ("main is mounted read-only.", True)


def test_repairs_come_after_a_second_copy_and_before_a_third_and_one_at_a_place() -> None:
    (first,) = plan(view(needs=(BY_EITHER, SECOND))).start
    assert first.kind is DeedKind.MIRROR
    other = hurt({sets({VAULT}): (1, GB)}, name="Roll 02")
    mine = [one for one in repairs(BY_VAULT, other) if one.place == MAIN]
    assert len(mine) == 1
    started = plan(view(needs=(BY_EITHER, THIRD))).start
    assert [one.kind for one in started] == [DeedKind.REPAIR]


def test_a_repair_from_a_bucket_goes_on_beside_an_upload_to_it() -> None:
    upload = Deed(kind=DeedKind.UPLOAD, why="", place=VAULT, source=TRAVEL)
    made = plan(view(needs=(BY_VAULT,), running=(Running(deed=upload, since=NOW),)))
    assert [one.kind for one in made.start] == [DeedKind.REPAIR]
    assert (made.stop, made.hold) == ((), frozenset())


def test_proofs_on_either_drive_make_way_for_a_repair() -> None:
    """Else each drive's next proof takes the half of what a repair needs that has come free."""
    proofs = tuple(
        Running(deed=Deed(kind=DeedKind.PROVE, why="", place=at, folder="Roll 02"), since=NOW)
        for at in (MAIN, TRAVEL)
    )
    made = plan(view(needs=(BY_TRAVEL,), running=proofs))
    assert set(made.stop) == {one.deed.key for one in proofs}
    assert not made.start, "what is being freed is kept for it"


def test_a_drive_in_doubt_is_not_mended_and_not_read() -> None:
    why, _ = waits(BY_TRAVEL, doubted=frozenset({MAIN}))
    assert "in doubt as a whole" in why
    assert repairs(BY_TRAVEL, doubted=frozenset({TRAVEL})), "its blocks are compared anyway"


def test_a_running_repair_is_not_begun_twice_and_makes_way_for_a_card_alone() -> None:
    (deed,) = repairs(BY_EITHER)
    under_way = (Running(deed=deed, since=NOW),)
    for needs in ((BY_EITHER,), (BY_EITHER, SECOND)):
        made = plan(view(needs=needs, running=under_way))
        assert (made.start, made.stop) == ((), ())


groups = st.dictionaries(
    st.lists(
        st.frozensets(st.sampled_from([TRAVEL, SPARE, VAULT]), min_size=1), max_size=3, unique=True
    ).map(tuple),
    st.tuples(st.integers(1, 3), st.integers(0, GB)),
    max_size=3,
)


@given(groups, st.sets(st.sampled_from(sorted(EVERY))), st.booleans(), st.booleans())
def test_what_begins_has_somebody_for_every_block_and_what_waits_has_not(
    mendable: dict[Needed, tuple[int, int]], here: set[PlaceId], may_upload: bool, auto: bool
) -> None:
    drives = {one: EVERY[one] for one in here}
    changes: dict[str, Any] = {
        "needs": (hurt(mendable),),
        "places": MORE,
        "drives": drives,
        "hours": Hours(may_upload=may_upload),
        "auto_repair": auto,
    }
    made = plan(view(**changes))
    able = here | ({VAULT} if may_upload else set())
    fit = {
        one: count
        for one, count in mendable.items()
        if all(not places.isdisjoint(able) for places in one)
    }
    begun = [deed for deed in made.start if deed.kind is DeedKind.REPAIR]
    waiting = [one for one in made.waiting if one.deed.kind is DeedKind.REPAIR]
    if not auto or MAIN not in here or not mendable:
        assert (begun, waiting) == ([], [])
    elif not fit:
        assert (begun, len(waiting)) == ([], 1)
    else:
        (deed,) = begun
        assert deed.files == sum(files for files, _ in fit.values())
        assert set(deed.sources) <= able
        for one in fit:
            assert all(not places.isdisjoint(deed.sources) for places in one)
