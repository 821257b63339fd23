"""Which facts may go, and that nothing that is computed from them changes."""

from datetime import UTC, datetime, timedelta

from hypothesis import given, strategies as st

from backupkeeper.core.harm import CAME_RIGHT
from backupkeeper.core.model import Blake3, Fact, Place, PlaceId, PlaceKind, Result, Role, Way
from backupkeeper.core.policy import Policy, copy_of
from backupkeeper.core.sightings import newly_bad
from backupkeeper.core.standing import harms
from backupkeeper.core.thinning import KEPT_WHOLE, spare

NOW = datetime(2036, 6, 12, 12, tzinfo=UTC)
PLACE = PlaceId("00000000-0000-4000-8000-000000000001")
MAIN = Place(id=PLACE, name="Main", role=Role.PRIMARY, kind=PlaceKind.DRIVE, created_at=NOW, location="/m")  # fmt: skip


def _fact(
    days: int, way: Way = Way.REHASH, result: Result = Result.MATCHES, **more: object
) -> Fact:
    values: dict[str, object] = {"path": "a.mov", "content": Blake3("a" * 64), "cold": True, **more}
    return Fact(at=NOW - timedelta(days=days), place=PLACE, way=way, result=result, **values)  # type: ignore[arg-type]


def _thin(facts: frozenset[Fact], now: datetime = NOW) -> frozenset[Fact]:
    return facts - spare(facts, now)


FACTS = st.frozensets(
    st.builds(
        _fact,
        st.integers(-3, 430).map(lambda n: n * 3),
        st.sampled_from(Way),
        st.sampled_from([*[Result.MATCHES] * 12, *Result]),
        cold=st.booleans(),
        version=st.sampled_from([None, None, "v1"]),
        mount=st.sampled_from([None, "b:1", "b:2"]),
        note=st.sampled_from(["", "", "", CAME_RIGHT]),
        content=st.sampled_from([Blake3("a" * 64), Blake3("b" * 64)]),
    ),
    max_size=30,
)


def _old_bad(facts: frozenset[Fact]) -> frozenset[Fact]:
    return frozenset(f for f in facts if f.result is not Result.MATCHES and NOW - f.at > KEPT_WHOLE)


def test_of_equal_good_facts_the_first_and_the_latest_stay() -> None:
    old = [_fact(days, mount=f"b:{days}") for days in (900, 800, 700, 600, 300, 200)]
    assert spare(old, NOW) == {old[1], old[2]}


def test_what_stands_beside_something_bad_stays() -> None:
    good = [_fact(days) for days in (900, 850, 800, 700, 650, 600)]
    bad = _fact(750, result=Result.DAMAGED)
    assert spare([*good, bad], NOW) == {good[1], good[4]}


def test_what_came_right_only_later_and_parts_stay() -> None:
    kept = [_fact(days, note=CAME_RIGHT) for days in (900, 800, 700)]
    assert spare([*kept, *(_fact(days, Way.PART) for days in (900, 800, 700))], NOW) == frozenset()


@given(FACTS, st.integers(0, 900))
def test_thinned_twice_or_sooner_is_thinned_once(facts: frozenset[Fact], days: int) -> None:
    assert _thin(_thin(facts)) == _thin(facts)
    assert _thin(_thin(facts, NOW - timedelta(days=days))) == _thin(facts)


@given(FACTS, FACTS)
def test_thinning_before_merging_changes_nothing(
    mine: frozenset[Fact], theirs: frozenset[Fact]
) -> None:
    bad = _old_bad(mine | theirs)
    mine, theirs = mine | bad, theirs | bad
    assert _thin(_thin(mine) | _thin(theirs)) == _thin(mine | theirs)
    assert _thin(_thin(mine) | theirs) == _thin(mine | theirs)


@given(FACTS, FACTS)
def test_whatever_a_merge_brings_nothing_bad_is_lost_and_nothing_is_made_up(
    mine: frozenset[Fact], theirs: frozenset[Fact]
) -> None:
    merged = _thin(_thin(mine) | _thin(theirs))
    assert merged <= _thin(mine | theirs)
    assert {f for f in mine | theirs if f.result is not Result.MATCHES} <= merged


@given(FACTS, st.integers(0, 800))
def test_nothing_computed_changes(facts: frozenset[Fact], later: int) -> None:
    now, policy, thinned = NOW + timedelta(days=later), Policy(), _thin(facts)
    assert newly_bad(thinned) == newly_bad(facts)
    for content in {fact.content for fact in facts}:
        all_, left = ([f for f in some if f.content == content] for some in (facts, thinned))
        was, is_ = copy_of(all_, MAIN, policy, now), copy_of(left, MAIN, policy, now)
        assert (was.state, was.sampled_at, was.harmed_at) == (
            is_.state,
            is_.sampled_at,
            is_.harmed_at,
        )
        assert (was.proof and was.proof.at) == (is_.proof and is_.proof.at)
    was_hurt, is_hurt = (harms(some, "Main", frozenset(), {}, since=NOW - timedelta(days=5000), now=now) for some in (facts, thinned))  # fmt: skip
    assert was_hurt == is_hurt
