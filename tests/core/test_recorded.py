"""The day that a shoot is named by comes from the recordings."""

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.errors import UsageError
from backupkeeper.core.model import CardEntry
from backupkeeper.core.recorded import Day, NoDay, day_of, is_media, shoot_name

TZ = timezone(timedelta(hours=2))
NOW = datetime(2026, 6, 14, 12, 0, tzinfo=UTC)


def at(day: int, hour: int, minute: int = 0, *, month: int = 6, year: int = 2026) -> int:
    """Nanoseconds of a local time of the yard."""
    return int(datetime(year, month, day, hour, minute, tzinfo=TZ).timestamp()) * 10**9


def clip(number: int, mtime_ns: int, *, size: int = 50_000_000, ending: str = "MP4") -> CardEntry:
    return CardEntry(path=f"DCIM/100BOATY/BOAT{number:04d}.{ending}", size=size, mtime_ns=mtime_ns)


def told(
    *files: CardEntry, known: Callable[[CardEntry], bool] = lambda _: False, now: datetime = NOW
) -> Day | NoDay:
    return day_of(files, is_known=known, now=now, tz=TZ)


def day(*files: CardEntry, known: Callable[[CardEntry], bool] = lambda _: False) -> date:
    found = told(*files, known=known)
    assert isinstance(found, Day)
    return found.first


def test_it_is_the_day_of_the_earliest_recording_and_not_today() -> None:
    assert day(clip(2, at(12, 17)), clip(1, at(12, 9)), clip(3, at(13, 10))) == date(2026, 6, 12)


def test_what_is_known_already_does_not_date_the_new() -> None:
    files = [clip(1, at(12, 9)), clip(2, at(13, 9))]
    assert day(*files, known=lambda entry: entry == files[0]) == date(2026, 6, 13)


def test_several_days_are_one_roll_and_are_told() -> None:
    found = told(clip(1, at(12, 9)), clip(2, at(13, 9)))
    assert isinstance(found, Day)
    assert (found.first, found.last) == (date(2026, 6, 12), date(2026, 6, 13))
    assert "2026-06-12 to 2026-06-13" in found.remark


def test_one_day_needs_no_remark() -> None:
    found = told(clip(1, at(12, 9)))
    assert isinstance(found, Day)
    assert found.remark == ""


@pytest.mark.parametrize("ending", ["XML", "thm", "Dat", "txt"])
def test_sidecars_do_not_date_recordings(ending: str) -> None:
    assert day(clip(1, at(13, 9)), clip(1, at(11, 9), ending=ending)) == date(2026, 6, 13)


def test_small_files_do_not_date_recordings_but_are_all_there_is_sometimes() -> None:
    small = clip(2, at(11, 9), size=9_999)
    assert day(clip(1, at(13, 9)), small) == date(2026, 6, 13)
    assert day(small) == date(2026, 6, 11)


def test_what_is_a_recording() -> None:
    assert is_media(clip(1, 0, size=10_000))
    assert is_media(CardEntry(path="a.dat/CLIP", size=10_000, mtime_ns=0))
    assert is_media(CardEntry(path="PRIVATE/.xml", size=10_000, mtime_ns=0))
    assert not is_media(clip(1, 0, size=9_999))
    assert not is_media(clip(1, 0, ending="xml"))


@pytest.mark.parametrize(
    ("times", "expected"),
    [
        ([at(13, 1, 30)], 13),
        ([at(12, 23, 0), at(13, 1, 30)], 12),
        ([at(12, 19, 30), at(13, 1, 30)], 12),
        ([at(12, 19, 29), at(13, 1, 30)], 13),
        ([at(12, 23, 0), at(13, 4, 0)], 13),
        ([at(12, 23, 0), at(13, 2, 0), at(13, 3, 59)], 12),
        ([at(13, 0, 10), at(13, 1, 30)], 13),
    ],
)
def test_a_night_goes_on_with_the_evening_before_it(times: list[int], expected: int) -> None:
    """The last recording is new; those before it are known."""
    files = [clip(number, time) for number, time in enumerate(times)]
    assert day(*files, known=lambda entry: entry != files[-1]) == date(2026, 6, expected)


def test_a_card_that_was_filled_over_night_is_the_evenings() -> None:
    found = told(clip(1, at(12, 22)), clip(2, at(13, 2)))
    assert isinstance(found, Day)
    assert (found.first, found.last) == (date(2026, 6, 12), date(2026, 6, 12))


@pytest.mark.parametrize(
    ("time", "shown"),
    [
        (at(1, 12, month=1, year=1980), "1980-01-01"),
        (0, "1970-01-01"),
        (at(31, 23, month=12, year=1999), "1999-12-31"),
        (at(16, 0), "2026-06-16"),
        (10**30, "out of all calendars"),
        (-(10**30), "out of all calendars"),
        (int(-62_135_596_800 * 1e9), "out of all calendars"),
    ],
)
def test_dates_that_cant_be_name_no_shoot(time: int, shown: str) -> None:
    found = told(clip(1, time))
    assert found == NoDay(
        why=f"The recordings are dated {shown}, which can't be: set the camera's clock, and offload "
        "this card by hand."
    )


def test_a_clock_a_few_hours_ahead_is_believed() -> None:
    assert day(clip(1, at(15, 13))) == date(2026, 6, 15)


def test_some_wrong_dates_are_passed_over_and_told() -> None:
    found = told(clip(1, 0), clip(2, at(12, 9)))
    assert isinstance(found, Day)
    assert (found.first, found.recordings, found.misdated) == (date(2026, 6, 12), 2, 1)
    assert found.remark.startswith("1 of the new files")


def test_nothing_and_nothing_new_have_no_day() -> None:
    assert told() == NoDay(why="There is nothing on it.")
    known = told(clip(1, at(12, 9)), known=lambda _: True)
    assert known == NoDay(why="There is nothing new on it.")


def test_the_date_is_the_one_of_the_zone_that_the_card_was_read_in() -> None:
    late = int(datetime(2026, 6, 12, 22, 30, tzinfo=UTC).timestamp()) * 10**9
    for zone, expected in ((UTC, 12), (TZ, 13), (ZoneInfo("America/Lima"), 12)):
        found = day_of([clip(1, late)], is_known=lambda _: False, now=NOW, tz=zone)
        assert isinstance(found, Day)
        assert found.first == date(2026, 6, expected)


def test_the_shoot_is_named_by_day_and_name() -> None:
    assert shoot_name(date(2026, 6, 12), "Boatyard") == "260612 Boatyard"
    assert shoot_name(date(2009, 1, 2), "Café") == "090102 Café"


@pytest.mark.parametrize("name", ["", " ", "a/b", "a\n", "x" * 300, "\udcff"])
def test_a_name_that_no_folder_can_have_is_refused(name: str) -> None:
    with pytest.raises(UsageError):
        shoot_name(date(2026, 6, 12), name)


FILES = st.lists(
    st.builds(
        CardEntry,
        path=st.sampled_from(["A.MP4", "B.XML", "C.WAV", "D"]),
        size=st.integers(0, 10**11),
        mtime_ns=st.integers(-(2**70), 2**70) | st.integers(at(1, 0), at(20, 0)),
    ),
    max_size=8,
)


@given(FILES, st.integers(-14, 14))
def test_whatever_the_times_there_is_a_day_that_can_be_or_a_reason(
    files: list[CardEntry], hours: int
) -> None:
    tz = timezone(timedelta(hours=hours))
    found = day_of(files, is_known=lambda entry: entry.size % 2 == 1, now=NOW, tz=tz)
    if isinstance(found, NoDay):
        assert found.why.endswith(".")
        return
    assert date(1999, 12, 31) <= found.first <= found.last <= date(2026, 6, 16)
    shoot_name(max(found.first, date(2000, 1, 1)), "Boatyard")


@given(FILES, st.randoms(use_true_random=False))
def test_the_order_of_the_files_changes_nothing(files: list[CardEntry], shuffle: object) -> None:
    again = sorted(files, key=lambda entry: (entry.path, -entry.mtime_ns, entry.size))
    assert told(*files) == told(*again)
