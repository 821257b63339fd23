"""A night's share is asked for once, also over a restart; habits are what was seen; what is said of drives."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from backupkeeper.catalog.store import SqliteCatalog
from backupkeeper.core.deeds import DeedKind
from backupkeeper.core.model import Event, EventKind, Fact, PlaceId, Result, Standing, Way
from backupkeeper.core.presence import ALIVE, nights_before
from backupkeeper.daemon.shares import GONE, KNOWN_FROM, NIGHTS, WORN_EVERY, Shares
from tests.actions.survey_world import MAIN, TRAVEL, VAULT, World, place, world
from tests.catalog.made import NOW, content, name_of

HOUR, DAY = timedelta(hours=1), timedelta(days=1)
GB = 10**9


@pytest.fixture
def made() -> Iterator[World]:
    with world() as one:
        for ident in (MAIN, TRAVEL, VAULT):
            one.mine.put_place(place(ident))
        yield one


def night_of(made: World, back: int = 0) -> datetime:
    """A moment in the night that began last, or so many nights before."""
    window = made.context.config.proofs.window
    nights, begun = nights_before(window, NOW, UTC, NIGHTS)
    return (begun if back == 0 else nights[back - 1][0]) + HOUR


def awake(made: World, nights: int) -> None:
    """The daemon was awake in each of these nights, and the main drive came before them."""
    first = night_of(made, nights) - HOUR
    made.mine.note(
        [
            Event(at=first, kind=EventKind.SEEN, subject=MAIN, detail="boot:1"),
            *(
                Event(at=night_of(made, n), kind=EventKind.SEEN, subject=ALIVE)
                for n in range(nights + 1)
            ),
        ]
    )


def moved(made: World, at: datetime, told: str, place: PlaceId = MAIN) -> None:
    subject = f"{DeedKind.PROVE}|{place}"
    made.mine.note([Event(at=at, kind=EventKind.MOVED, subject=subject, detail=told)])


def proven(n: int, at: datetime, result: Result = Result.MATCHES) -> Fact:
    return Fact(
        at=at,
        place=MAIN,
        path=f"{n:04}.MP4",
        content=name_of(n),
        way=Way.REHASH,
        result=result,
        cold=True,
    )


def filled(made: World) -> None:
    """Four files a day were proven for fifty days, each a quarter of a gigabyte."""
    made.mine.record(
        contents=[content(n, size=GB // 4) for n in range(200)],
        facts=[proven(n, NOW - 50 * DAY + n * 6 * HOUR) for n in range(200)],
    )


def shares(made: World) -> Shares:
    """As after a restart."""
    return Shares(made.context, UTC)


def test_habits_are_the_nights_on_which_the_daemon_was_awake_and_the_drive_here(
    made: World,
) -> None:
    awake(made, 20)
    gone = Event(at=night_of(made, 5) - 2 * HOUR, kind=EventKind.SEEN, subject=MAIN, detail=GONE)
    made.mine.note([gone])
    moved(made, NOW - DAY, f"{30 * GB} 300.0")
    moved(made, NOW - 2 * DAY, f"{10 * GB} 100.0")
    moved(made, NOW - DAY, "1 1.0", TRAVEL)
    for nonsense in ("", "many", "5", "five 1.0"):
        moved(made, NOW - 3 * DAY - len(nonsense) * HOUR, nonsense)
    habits = shares(made).habits(MAIN, NOW)
    assert (habits.nights_here, habits.of_nights) == (15, 20)
    assert habits.rate_bytes_s == GB / 10
    assert habits.night_s == made.context.config.proofs.budget_s


def test_of_a_drive_that_nobody_saw_nothing_is_known(made: World) -> None:
    habits = shares(made).habits(TRAVEL, NOW)
    assert (habits.nights_here, habits.of_nights, habits.rate_bytes_s) == (0, 0, 0.0)


def test_a_night_keeps_its_share_whatever_is_read_in_it(made: World) -> None:
    filled(made)
    awake(made, 40)
    moved(made, NOW - 5 * DAY, f"{30 * GB} 300.0")
    mine = shares(made)
    begun = night_of(made)
    before = mine.cutoffs(begun, [MAIN])
    assert set(before) == {MAIN}
    assert NOW - 50 * DAY < before[MAIN] < NOW - 40 * DAY  # a share, and no more than that
    made.mine.record(facts=[proven(0, begun + HOUR)])
    moved(made, begun + HOUR, f"{GB} 10.0")
    assert mine.cutoffs(begun + 2 * HOUR, [MAIN]) == before
    assert mine.cutoffs(begun + 2 * HOUR, [MAIN, TRAVEL])[MAIN] == before[MAIN]
    assert mine.cutoffs(begun + 2 * HOUR, []) == {}


def test_a_restart_in_the_night_adds_no_second_share(made: World) -> None:
    filled(made)
    awake(made, 40)
    moved(made, NOW - 5 * DAY, f"{30 * GB} 300.0")
    begun = night_of(made)
    cutoff = shares(made).cutoffs(begun, [MAIN])[MAIN]
    old = [load for load in made.mine.proof_ages(MAIN) if load.at <= cutoff]
    assert old
    done = sum(load.files for load in old)
    made.mine.record(facts=[proven(n, begun + HOUR) for n in range(done)])
    moved(made, begun + HOUR, f"{done * GB // 4} 60.0")
    again = shares(made).cutoffs(begun + 2 * HOUR, [MAIN])[MAIN]
    assert not [load for load in made.mine.proof_ages(MAIN) if load.at <= again]


def test_the_next_night_has_a_share_of_its_own(made: World) -> None:
    filled(made)
    awake(made, 40)
    mine = shares(made)
    first = mine.cutoffs(night_of(made), [MAIN])[MAIN]
    old = [load for load in made.mine.proof_ages(MAIN) if load.at <= first]
    made.mine.record(facts=[proven(n, night_of(made) + HOUR) for n in range(len(old))])
    second = mine.cutoffs(night_of(made) + DAY, [MAIN])[MAIN]
    assert first < second
    back = mine.cutoffs(night_of(made), [MAIN])[MAIN]  # the clock was set back
    assert back <= second


def test_too_few_nights_are_told_with_what_would_do_once_enough_is_known(made: World) -> None:
    filled(made)
    moved(made, NOW - DAY, f"{GB} 100000.0")  # ten kilobytes a second
    awake(made, KNOWN_FROM - 1)
    assert shares(made).warnings(NOW) == ()
    awake(made, KNOWN_FROM)
    (told,) = shares(made).warnings(NOW)
    assert told.startswith("Main: ")
    moved(made, NOW - DAY + HOUR, f"{10**7 * GB} 100000.0")
    assert shares(made).warnings(NOW) == ()


def test_what_was_copied_and_never_proven_makes_no_nights_too_few(made: World) -> None:
    filled(made)
    moved(made, NOW - DAY, f"{GB} 100.0")  # a gigabyte takes less than two minutes
    awake(made, 30)
    assert shares(made).slow(NOW) == ()
    big = Fact(
        at=NOW, place=MAIN, path="big", content=name_of("big"), way=Way.WRITTEN, result=Result.MATCHES
    )  # fmt: skip
    made.mine.record(contents=[content("big", size=10**6 * GB)], facts=[big])
    assert shares(made).slow(NOW) == ()
    made.mine.record(facts=[replace(big, at=NOW + HOUR, way=Way.REHASH, cold=True)])
    (told,) = shares(made).slow(NOW + DAY)
    assert told.startswith("Main: 1 PB at ")


def test_proofs_are_not_counted_where_what_a_drive_holds_says_enough(
    made: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    filled(made)
    moved(made, NOW - DAY, f"{GB} 100.0")
    awake(made, 30)
    monkeypatch.delattr(SqliteCatalog, "proof_ages")  # seconds for millions of copies
    assert shares(made).warnings(NOW) == ()


@pytest.mark.parametrize("standing", [Standing.LOST, Standing.RETIRED])
def test_nothing_is_said_of_drives_that_were_given_up(made: World, standing: Standing) -> None:
    filled(made)
    moved(made, NOW - DAY, f"{GB} 100000.0")
    awake(made, 30)
    made.mine.put_place(place(MAIN, standing=standing))
    assert shares(made).warnings(NOW) == ()


def test_a_drive_that_goes_bad_is_told_of_and_looked_up_once_an_hour(made: World) -> None:
    filled(made)
    mine = shares(made)
    assert mine.worn(NOW) == {}
    facts = [
        proven(n, NOW - (30 - days) * DAY, Result.UNREADABLE)
        for days in (1, 8, 15, 22)
        for n in range(days, days + 4)
    ]
    made.mine.record(facts=facts)
    assert mine.worn(NOW + WORN_EVERY - timedelta(microseconds=1)) == {}
    worn = mine.worn(NOW + WORN_EVERY)
    assert set(worn) == {MAIN}
    assert worn[MAIN]
    assert shares(made).warnings(NOW)[0].startswith("Main: ")
    assert mine.worn(NOW) == worn  # the clock was set back: looked up anew
