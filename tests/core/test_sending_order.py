"""What goes to a bucket first."""

from itertools import pairwise

from hypothesis import given, strategies as st

from backupkeeper.core.deeds import DeedKind
from backupkeeper.core.model import Role
from backupkeeper.core.planner import plan
from backupkeeper.core.sending_order import SMALL_BYTES, NewestFirst, files_in_order, rank
from backupkeeper.core.wishes import wishes
from tests.core.made_up_copies import MAIN, VAULT
from tests.core.made_up_views import need, view, want

SHOOTS = ("260612 Boatyard", "260613 Boatyard", "251224 Harbour")
rolls = st.lists(
    st.tuples(
        st.integers(0, 3), st.sampled_from(SHOOTS), st.integers(1, 99).map(lambda n: f"Roll {n:02}")
    ),
    unique_by=lambda one: one[1:],
    max_size=8,
)


@given(rolls, st.randoms(use_true_random=False))
def test_fewest_copies_then_the_newest_shoot_whatever_the_order_was(
    found: list[tuple[int, str, str]], chance: object
) -> None:
    told = sorted(found, key=lambda one: rank(*one))
    chance.shuffle(found)  # type: ignore[attr-defined]  # a Random
    assert sorted(found, key=lambda one: rank(*one)) == told
    for one, other in pairwise(told):
        assert one[0] <= other[0]
        if one[0] == other[0]:
            assert one[1] >= other[1]
            if one[1] == other[1]:
                assert one[2] < other[2]


@given(rolls)
def test_the_daemon_wishes_for_uploads_in_this_order(found: list[tuple[int, str, str]]) -> None:
    needs = tuple(
        need(name, shoot, fewest=fewest, gaps=(Role.CLOUD,), wants={VAULT: want(MAIN)})
        for fewest, shoot, name in found
    )
    ready = [one.deed for one in wishes(view(needs=needs)).ready]
    assert {deed.kind for deed in ready} <= {DeedKind.UPLOAD}
    in_order = sorted(found, key=lambda one: rank(*one))
    assert [deed.folder for deed in ready] == [
        f"{shoot}/Originals/Wide/{name}" for _, shoot, name in in_order
    ]
    assert plan(view(needs=tuple(reversed(needs)))).start == plan(view(needs=needs)).start


@given(st.lists(st.integers(0, 3 * SMALL_BYTES), max_size=30))
def test_small_files_come_before_large_ones_and_else_nothing_moves(sizes: list[int]) -> None:
    told = files_in_order(enumerate(sizes), lambda file: file[1])
    assert sorted(told) == list(enumerate(sizes)), "no file is lost or doubled"
    small = [file for file in told if file[1] <= SMALL_BYTES]
    assert told[: len(small)] == small
    assert small == sorted(small)
    assert told[len(small) :] == sorted(told[len(small) :])


def test_two_shoots_are_the_same_only_by_their_whole_name() -> None:
    one, other = NewestFirst("260612 Boatyard"), NewestFirst("260613 Boatyard")
    assert one == NewestFirst("260612 Boatyard")
    assert hash(one) == hash(NewestFirst("260612 Boatyard"))
    assert one != other
    assert other < one
    assert one != "260612 Boatyard"
