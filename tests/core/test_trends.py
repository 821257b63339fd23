"""What is said of a drive: each reason, each level, and their boundaries.

The levels and their thresholds are ours; the published observations that they lean on are those of
STANDARDS.md 5.1 (named in the module).
"""

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import pytest

from backupkeeper.core.model import Result
from backupkeeper.core.sightings import APART
from backupkeeper.core.trends import (
    NEW_FOR,
    OLD_HERE,
    OLD_HOURS,
    OLD_NEWS,
    SEVERITY,
    WORDS,
    Level,
    Seen,
    SmartSigns,
    advice,
)

NOW = datetime(2026, 6, 20, 12, tzinfo=UTC)
DAY = timedelta(days=1)
BAD_KINDS = (Result.DAMAGED, Result.CUT_OFF, Result.UNREADABLE, Result.UNSTABLE)
PEOPLES = (Result.MATCHES, Result.CHANGED, Result.MISSING)
Bad = tuple[datetime, Result, str]

NOTHING_TOLD = SmartSigns(
    passed=None,
    pending=None,
    reallocated=None,
    uncorrectable=None,
    cable_errors=None,
    media_errors=None,
    wear_percent=None,
    power_on_hours=None,
    critical=(),
    at=NOW - DAY,
)
CLEAN = replace(
    NOTHING_TOLD,
    passed=True,
    pending=0,
    reallocated=0,
    uncorrectable=0,
    cable_errors=0,
    media_errors=0,
    wear_percent=3,
    power_on_hours=1200,
)
MONTH_BEFORE = replace(CLEAN, at=NOW - 30 * DAY, power_on_hours=1000)
QUIET = Seen(bad=(), reads=4120, rates=(), smart=None, first_seen=NOW - 400 * DAY)


def bad(kind: Result, *sightings: tuple[int, str]) -> tuple[Bad, ...]:
    """Bad readings so many days ago, at these paths."""
    return tuple((NOW - days * DAY, kind, path) for days, path in sightings)


def rates(*mb: float) -> tuple[tuple[datetime, float], ...]:
    """One proof a day, oldest first, the last one now."""
    return tuple((NOW - (len(mb) - 1 - at) * DAY, rate * 1e6) for at, rate in enumerate(mb))


def with_smart(**told: object) -> Seen:
    """A drive that says this of itself, and is clean beyond."""
    return replace(QUIET, smart=replace(CLEAN, **told))  # type: ignore[arg-type] # names by test


REPLACE = {
    "the drive says so itself": (
        with_smart(passed=False),
        None,
        "Its own health check says that it is failing (2026-06-19).",
    ),
    "the drive names what fails": (
        with_smart(critical=("It has gone read-only.",)),
        None,
        "It has gone read-only.",
    ),
    "waiting sectors grew": (
        with_smart(pending=12),
        replace(MONTH_BEFORE, pending=8),
        "It lists 12 sectors that could not be read, 4 more than on 2026-05-21.",
    ),
    "its own check found more": (
        with_smart(uncorrectable=1),
        MONTH_BEFORE,
        "Its own check could not read 1 sector, 1 more than on 2026-05-21.",
    ),
    "it failed to answer more often": (
        with_smart(media_errors=1300),
        replace(MONTH_BEFORE, media_errors=100),
        "It counts 1,300 readings that it could not answer, 1,200 more than on 2026-05-21.",
    ),
    "waiting sectors, and a copy that can't be read": (
        replace(with_smart(pending=1), bad=bad(Result.UNREADABLE, (3, "a"))),
        None,
        "It lists 1 sector that could not be read, and copies on it could not be read.",
    ),
    "sectors of several files on one day": (
        replace(QUIET, bad=bad(Result.UNREADABLE, (17, "a"), (17, "b"), (17, "c"))),
        None,
        "Sectors of 3 files could not be read, on 2026-06-03.",
    ),
    "sectors of one file on several days": (
        replace(QUIET, bad=bad(Result.UNREADABLE, (19, "a"), (17, "a"))),
        None,
        "Sectors of 1 file could not be read, on 2 days, the last on 2026-06-03.",
    ),
    "other bytes on several days": (
        replace(QUIET, bad=bad(Result.DAMAGED, (19, "a")) + bad(Result.CUT_OFF, (17, "b"))),
        None,
        "2 files came back with other bytes than were written, on 2 days, the last on 2026-06-03.",
    ),
}
CABLE = {
    "more broken transfers": (
        with_smart(cable_errors=40),
        replace(MONTH_BEFORE, cable_errors=12),
        "It counts 40 broken transfers, 28 more than on 2026-05-21: suspect the cable or the port.",
    ),
    "more broken transfers within one hour": (
        with_smart(cable_errors=1),
        replace(MONTH_BEFORE, power_on_hours=CLEAN.power_on_hours),
        "It counts 1 broken transfer, 1 more than on 2026-05-21: suspect the cable or the port.",
    ),
    "not the same each time": (
        replace(QUIET, bad=bad(Result.UNSTABLE, (19, "a"), (17, "b"))),
        None,
        (
            "2 files did not read the same each time, on 2 days, the last on 2026-06-03: "
            "suspect the cable, the port or the memory."
        ),
    ),
    "not the same, and other bytes on one day": (
        replace(QUIET, bad=bad(Result.UNSTABLE, (17, "a")) + bad(Result.DAMAGED, (17, "b"))),
        None,
        (
            "1 file did not read the same each time, on 2026-06-03: "
            "suspect the cable, the port or the memory."
        ),
    ),
}
WATCH = {
    "a first sector": (
        replace(QUIET, bad=bad(Result.UNREADABLE, (17, "a"))),
        None,
        "Sectors of 1 file could not be read, on 2026-06-03.",
    ),
    "other bytes on one day": (
        replace(QUIET, bad=bad(Result.DAMAGED, (17, "a"), (17, "b"))),
        None,
        "2 files came back with other bytes than were written, on 2026-06-03.",
    ),
    "a first error lately": (
        replace(QUIET, bad=bad(Result.CUT_OFF, (60, "a"))),
        None,
        (
            "After a first error a drive is far likelier to fail within 60 days "
            "(39 times, in a study of more than 100,000 drives)."
        ),
    ),
    "not the same each time, and a sector": (
        replace(QUIET, bad=bad(Result.UNREADABLE, (17, "a")) + bad(Result.UNSTABLE, (17, "b"))),
        None,
        (
            "1 file did not read the same each time, on 2026-06-03: "
            "suspect the cable, the port or the memory."
        ),
    ),
    "broken transfers, and sectors given up": (
        with_smart(cable_errors=1, reallocated=5),
        replace(MONTH_BEFORE, reallocated=3),
        "It has given up 5 sectors, 2 more than on 2026-05-21.",
    ),
    "sectors that wait": (
        with_smart(pending=8),
        replace(MONTH_BEFORE, pending=8),
        "It lists 8 sectors that could not be read (2026-06-19).",
    ),
    "sectors given up": (with_smart(reallocated=1), None, "It has given up 1 sector."),
    "a warning of its own": (with_smart(warnings=("It is too hot.",)), None, "It is too hot."),
    "worn": (
        with_smart(wear_percent=100),
        None,
        "It has taken 100 % of the writing that its maker planned for.",
    ),
    "run for long": (
        with_smart(power_on_hours=OLD_HOURS),
        None,
        "It has run for 50,000 hours, more than 5 years: drives fail more with age.",
    ),
    "here for long": (
        replace(QUIET, first_seen=NOW - OLD_HERE),
        None,
        "It has been in use here since 2016-06-20: drives fail more with age.",
    ),
    "slower": (
        replace(QUIET, rates=rates(120, 118, 122, 40, 35, 41)),
        None,
        (
            "The last 3 proofs read 40.0 MB/s, the 3 before 120.0 MB/s (medians): a slower port or "
            "hub, or a drive that reads again and again."
        ),
    ),
}


@pytest.mark.parametrize(
    ("level", "seen", "earlier", "reason"),
    [
        pytest.param(level, *case, id=f"{level}: {name}")
        for level, cases in (
            (Level.REPLACE, REPLACE),
            (Level.CABLE, CABLE),
            (Level.WATCH, WATCH),
        )
        for name, case in cases.items()
    ],
)
def test_each_reason_has_its_level_and_its_figures(
    level: Level, seen: Seen, earlier: SmartSigns | None, reason: str
) -> None:
    told = advice(seen, NOW, earlier=earlier)
    assert (told.level, reason in told.reasons) == (level, True), told


NO_REASON = {
    "nothing at all": (QUIET, None),
    "a clean answer": (with_smart(), MONTH_BEFORE),
    "an answer that says nothing": (replace(QUIET, smart=NOTHING_TOLD), MONTH_BEFORE),
    "what people did": (
        replace(QUIET, bad=tuple((NOW - DAY * n, kind, "a") for kind in PEOPLES for n in (1, 5))),
        None,
    ),
    "broken transfers of old": (
        with_smart(cable_errors=900),
        replace(MONTH_BEFORE, cable_errors=900),
    ),
    "broken transfers, and nobody knows since when": (with_smart(cable_errors=900), None),
    "broken transfers of another drive": (
        with_smart(cable_errors=900),
        replace(MONTH_BEFORE, power_on_hours=90_000),
    ),
    "the very same answer": (
        with_smart(cable_errors=900),
        replace(MONTH_BEFORE, at=CLEAN.at),
    ),
    "an earlier answer that is later": (
        with_smart(cable_errors=900),
        replace(MONTH_BEFORE, at=NOW),
    ),
    "almost worn": (with_smart(wear_percent=99), None),
    "run for almost so long": (with_smart(power_on_hours=OLD_HOURS - 1), None),
    "here for almost so long": (replace(QUIET, first_seen=NOW - OLD_HERE + DAY), None),
    "half as fast, as the inner tracks are": (
        replace(QUIET, rates=rates(120, 120, 120, 60, 60, 60)),
        None,
    ),
    "too few proofs before": (replace(QUIET, rates=rates(120, 120, 40, 40, 40)), None),
    "a slow night": (replace(QUIET, rates=rates(120, 120, 120, 120, 20, 120)), None),
    "rates that are none": (
        replace(QUIET, rates=rates(float("inf"), float("nan"), 0, -1, 120, 120, 40, 40, 40)),
        None,
    ),
    "faster": (replace(QUIET, rates=rates(40, 40, 40, 120, 120, 120)), None),
}


@pytest.mark.parametrize(
    ("seen", "earlier"), [pytest.param(*case, id=name) for name, case in NO_REASON.items()]
)
def test_what_is_no_reason_is_none(seen: Seen, earlier: SmartSigns | None) -> None:
    told = advice(seen, NOW, earlier=earlier)
    assert told.level is Level.FINE, told
    assert told.reasons[0] == "Nothing speaks against it so far."


def test_a_drive_is_never_called_healthy() -> None:
    promises = ("fine", "healthy", "safe", "verified", "good")
    for seen in (QUIET, with_smart(), replace(QUIET, reads=0)):
        told = advice(seen, NOW)
        assert not any(word in " ".join((told.words, *told.reasons)) for word in promises)
    assert not any(word in words for words in WORDS.values() for word in promises)
    assert WORDS.keys() == SEVERITY.keys() == set(Level)


def test_a_clean_answer_of_the_drive_is_told_with_how_little_it_says() -> None:
    assert "says little" in advice(with_smart(), NOW).reasons[-1]
    assert len(advice(with_smart(passed=None), NOW).reasons) == 1
    assert "says little" in advice(with_smart(at=NOW - OLD_NEWS), NOW).reasons[-1]
    assert len(advice(with_smart(at=NOW - OLD_NEWS - DAY), NOW).reasons) == 1


def test_a_drive_that_was_not_read_is_told_as_that() -> None:
    told = advice(replace(QUIET, reads=0), NOW)
    assert told.reasons[1] == "No copy on it was read in the last 90 days, so little is known."


def test_one_night_is_one_day_though_the_calendar_turns() -> None:
    evening = datetime(2026, 6, 3, 23, 30, tzinfo=UTC)
    for later, level in (
        (timedelta(hours=1), Level.WATCH),
        (APART - timedelta(seconds=1), Level.WATCH),
        (APART, Level.REPLACE),
    ):
        seen = replace(
            QUIET,
            bad=((evening, Result.DAMAGED, "a"), (evening + later, Result.DAMAGED, "b")),
        )
        assert advice(seen, NOW).level is level, later


def test_one_day_is_one_day_though_half_of_it_lies_between() -> None:
    night = datetime(2026, 6, 3, 1, tzinfo=UTC)
    readings = ((night, Result.DAMAGED, "a"), (night + 20 * APART / 12, Result.DAMAGED, "b"))
    assert advice(replace(QUIET, bad=readings), NOW).level is Level.WATCH


def test_a_first_error_of_long_ago_is_not_told_as_new() -> None:
    for ago, told in ((NEW_FOR, True), (NEW_FOR + timedelta(seconds=1), False)):
        seen = replace(QUIET, bad=((NOW - ago, Result.UNREADABLE, "a"),))
        reasons = advice(seen, NOW).reasons
        assert any("39 times" in reason for reason in reasons) is told


def test_a_drive_to_replace_still_names_the_cable() -> None:
    seen = replace(
        QUIET,
        bad=bad(Result.DAMAGED, (19, "a"), (17, "b")) + bad(Result.UNSTABLE, (3, "c")),
    )
    told = advice(seen, NOW)
    assert told.level is Level.REPLACE
    assert "cable" in told.reasons[-1]


def dated(*days: int) -> Seen:
    """A bad reading of another file on each of these days ago."""
    return replace(QUIET, bad=bad(Result.DAMAGED, *((ago, str(at)) for at, ago in enumerate(days))))


def test_errors_that_come_more_often_are_told_with_their_numbers() -> None:
    worse = "It gets worse: 3 bad readings in the last 60 days, 2 in the 60 days before."
    assert worse in advice(dated(1, 2, 60, 61, 120), NOW).reasons
    assert worse in advice(dated(1, 2, 60, 61, 120, 121), NOW).reasons
    for steady in ((1, 2, 61, 62), (1, 2, 3, 121), (1, 2, 61, 62, 63), (61, 62, 121)):
        assert not any("worse" in reason for reason in advice(dated(*steady), NOW).reasons), steady


@pytest.mark.parametrize("kind", [Result.DAMAGED, Result.UNREADABLE])
@pytest.mark.parametrize(
    ("hours", "files", "told"),
    [
        ((0, 1, 2, 3, 24), "abcde", True),
        ((0, 1, 2, 3, 25), "abcde", False),
        ((0, 30, 31, 32, 33, 34), "xabcde", True),
        ((0, 1, 2, 3, 4), "abcda", False),
        ((0, 1, 20, 21, 25, 26), "xxabcd", False),
    ],
)
def test_many_bad_copies_in_one_day_have_the_cable_tried_first(
    kind: Result, hours: tuple[int, ...], files: str, told: bool
) -> None:
    start = NOW - 10 * DAY
    sightings = tuple(
        (start + timedelta(hours=hour), kind, path) for hour, path in zip(hours, files, strict=True)
    )
    found = advice(replace(QUIET, bad=sightings), NOW)
    assert ("try another cable" in found.reasons[-1]) is told
    assert found.level in {Level.WATCH, Level.REPLACE}


def test_days_are_those_of_utc_wherever_the_times_come_from() -> None:
    there = timezone(timedelta(hours=9))
    seen = replace(QUIET, bad=((datetime(2026, 6, 4, 3, tzinfo=there), Result.UNREADABLE, "a"),))
    assert "Sectors of 1 file could not be read, on 2026-06-03." in advice(seen, NOW).reasons
