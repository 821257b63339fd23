"""What the daemon is at, in words and as JSON, and nothing that was not measured."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import example, given, strategies as st

from backupkeeper.core.arrival import Arrival
from backupkeeper.core.deeds import DeedKind
from backupkeeper.core.errors import ListingError
from backupkeeper.core.line import METERED, WAITS_FOR_HOURS
from backupkeeper.core.status import (
    CardStatus,
    DeedStatus,
    DriveStatus,
    LineStatus,
    Status,
    WaitStatus,
)
from backupkeeper.report.lines import Look, Tone
from backupkeeper.report.status import (
    needs_person,
    progress_words,
    status_from_json,
    status_json,
    status_lines,
)

NOON = datetime(2026, 6, 12, 12, tzinfo=UTC)
IDLE = Status(
    at=NOON,
    process=4711,
    since=NOON - timedelta(hours=2),
    paused_until=None,
    may_upload=True,
    line=LineStatus(),
    proof_seconds=0.0,
    drives=(
        DriveStatus(name="Main", role="primary", point="/media/main", free_bytes=4 * 10**11),
        DriveStatus(name="Travel", role="secondary", last_seen=NOON - timedelta(days=3)),
    ),
    cards=(),
    strangers=(),
    under_way=(),
    waiting=(),
    failing=(),
    damage=(),
    rolls_with_gaps=0,
    bytes_to_go=0,
)
UPLOAD = DeedStatus(
    kind=DeedKind.UPLOAD,
    what="upload Wide/Roll 02 from Main to Off site",
    why="It lacks a third copy.",
    since=NOON,
    stage="Uploading",
    bytes_done=9 * 10**9,
    bytes_total=50 * 10**9,
    files_done=1,
    files_total=9,
    bytes_a_second=2_000_000.0,
    seconds_left=20_500.0,
)
CARD = CardStatus(
    point="/media/card",
    label="WIDE",
    source="Wide",
    files=3,
    size_bytes=60_000_000,
    taken=True,
    may_wipe=None,
    judged_at=None,
)
WAIT = WaitStatus(
    kind=DeedKind.UPLOAD,
    what="upload Roll 02",
    why="Its hours come at 22:00.",
    size_bytes=41 * 10**9,
    seconds=6 * 3600.0,
)
texts = st.text(max_size=8)
moments = st.datetimes(timezones=st.just(UTC))
counts = st.integers(0, 2**60)
spans = st.floats(0, 1e12)
statuses = st.builds(
    Status,
    at=moments,
    process=counts | st.none(),
    since=moments | st.none(),
    paused_until=moments | st.none(),
    may_upload=st.booleans(),
    line=st.builds(
        LineStatus,
        no_upload=texts,
        limit_bytes_s=counts | st.none(),
        changes_at=moments | st.none(),
        is_metered=st.booleans() | st.none(),
    ),
    proof_seconds=spans,
    drives=st.lists(
        st.builds(
            DriveStatus,
            name=texts,
            role=texts,
            point=texts,
            free_bytes=counts | st.none(),
            last_seen=moments | st.none(),
            note=texts,
        ),
        max_size=2,
    ).map(tuple),
    cards=st.lists(
        st.builds(
            CardStatus,
            point=texts,
            label=texts,
            source=texts | st.none(),
            files=counts,
            size_bytes=counts,
            taken=st.booleans(),
            may_wipe=st.booleans() | st.none(),
            judged_at=moments | st.none(),
            note=texts,
        ),
        max_size=2,
    ).map(tuple),
    strangers=st.lists(texts, max_size=2).map(tuple),
    under_way=st.lists(
        st.builds(
            DeedStatus,
            kind=st.sampled_from(DeedKind),
            what=texts,
            why=texts,
            since=moments,
            stage=texts,
            bytes_done=counts,
            bytes_total=counts,
            files_done=counts,
            files_total=counts,
            bytes_a_second=spans | st.none(),
            seconds_left=spans | st.none(),
            path=texts,
            held=st.booleans(),
            stopping=st.booleans(),
        ),
        max_size=2,
    ).map(tuple),
    waiting=st.lists(
        st.builds(
            WaitStatus,
            kind=st.sampled_from(DeedKind),
            what=texts,
            why=texts,
            size_bytes=counts,
            seconds=spans | st.none(),
            person=st.booleans(),
        ),
        max_size=2,
    ).map(tuple),
    failing=st.lists(texts, max_size=2).map(tuple),
    damage=st.lists(texts, max_size=2).map(tuple),
    rolls_with_gaps=counts,
    bytes_to_go=counts,
    arrivals=st.lists(
        st.builds(
            Arrival,
            place=texts,
            to_go=counts,
            earliest=moments | st.none(),
            latest=moments | st.none(),
            why=texts,
        ),
        max_size=2,
    ).map(tuple),
)


def text(status: Status, **look: Any) -> str:
    return "\n".join(line.text for line in status_lines(status, Look(**look)))


@given(statuses)
def test_a_status_comes_through_json_as_it_is(status: Status) -> None:
    assert status_from_json(json.loads(json.dumps(status_json(status)))) == status


@given(statuses, st.data())
def test_a_status_with_anything_odd_in_it_is_refused_or_read(
    status: Status, data: st.DataObject
) -> None:
    told = status_json(status)
    odd = st.none() | st.integers() | st.text(max_size=3) | st.lists(st.integers(), max_size=2)
    told[data.draw(st.sampled_from(sorted(told)))] = data.draw(odd)
    try:
        status_from_json(told)
    except ListingError as error:
        assert "answer" in str(error)  # noqa: PT017 - either is right


@pytest.mark.parametrize(
    "told",
    [None, [], {}, {"version": 2}, {"version": 1}, {**status_json(IDLE), "more": 1},
     {**status_json(IDLE), "at": "2026-06-12T12:00:00"}, {**status_json(IDLE), "rolls_with_gaps": True},
     {**status_json(IDLE), "drives": {}}, {**status_json(IDLE), "proof_seconds": "1"}],
)  # fmt: skip
def test_what_is_no_status_is_refused(told: object) -> None:
    with pytest.raises(ListingError):
        status_from_json(told)


@given(statuses, st.integers(30, 100), st.booleans())
@example(replace(IDLE, line=LineStatus(no_upload="\x1b[2J")), 80, True)
def test_every_line_is_fit_for_a_terminal(status: Status, width: int, unicode: bool) -> None:
    shown = text(status, width=width, unicode=unicode)
    assert "\x1b" not in shown
    assert "\udc80" not in shown


def test_an_idle_daemon_says_what_is_here_and_what_is_not() -> None:
    assert text(IDLE) == (
        "The daemon runs (process 4711, begun 2 hours ago).\n"
        "No roll has a gap, as far as the facts go.\n"
        "\n"
        "Drives and cards\n"
        "  ■ Main (primary) at /media/main, 400 GB free\n"
        "  □ Travel (secondary): not here, last seen 3 days ago"
    )
    assert not needs_person(IDLE)


def test_without_a_daemon_that_is_said_first() -> None:
    told = replace(IDLE, process=None)
    assert text(told).startswith("The daemon is not running: nothing is done by itself.")
    assert needs_person(told)


def test_work_under_way_says_how_far_how_fast_and_how_long() -> None:
    told = text(replace(IDLE, under_way=(UPLOAD,)), width=100)
    assert "9.00 GB of 50.0 GB, 1 of 9 files, 2.00 MB/s, 5 h 41 min left at this rate" in told
    fresh = replace(UPLOAD, bytes_a_second=None, seconds_left=None)
    assert "/s" not in text(replace(IDLE, under_way=(fresh,)))
    assert "waits" in text(replace(IDLE, under_way=(replace(UPLOAD, held=True),)))
    assert "is ending" in text(replace(IDLE, under_way=(replace(UPLOAD, stopping=True),)))
    unknown = replace(UPLOAD, seconds_left=None, files_total=0)
    assert "left" not in text(replace(IDLE, under_way=(unknown,)))


def test_work_that_moves_no_bytes_is_only_said_to_be_under_way() -> None:
    thinning = replace(
        UPLOAD, bytes_done=0, bytes_total=0, files_total=0, bytes_a_second=None, seconds_left=None
    )
    assert progress_words(thinning) == "under way"
    assert progress_words(replace(thinning, stopping=True)) == "under way, is ending"


def test_what_waits_says_for_what_and_how_long_it_would_take() -> None:
    told = text(replace(IDLE, waiting=(WAIT,)), width=200)
    assert (
        "upload Roll 02 (41.0 GB to go, 6 h 00 min at the rate measured before): "
        "Its hours come at 22:00." in told
    )
    bare = replace(WAIT, seconds=None, size_bytes=0, person=True)
    assert "upload Roll 02: Its hours" in text(replace(IDLE, waiting=(bare,)), width=200)
    assert needs_person(replace(IDLE, waiting=(bare,)))
    assert not needs_person(replace(IDLE, waiting=(WAIT,)))
    assert "and 5 more" in text(replace(IDLE, waiting=(WAIT,) * 25))


def test_a_card_says_whether_it_may_be_wiped_only_after_a_verdict() -> None:
    def told(**changes: Any) -> str:
        return text(replace(IDLE, cards=(replace(CARD, **changes),)), width=200)

    assert told().endswith("offloaded, not fit to be wiped yet.")
    assert "yet. It does NOT hold any more." in told(note="It does NOT hold any more.")
    assert "not offloaded. It answers to two." in told(taken=False, note="It answers to two.")
    judged = {"judged_at": NOON - timedelta(minutes=5)}
    yes = told(may_wipe=True, heard=True, **judged)
    assert yes.endswith("may be wiped, said 5 minutes ago")
    limited = told(may_wipe=True, heard=True, reasons=("Still none in the cloud.",), **judged)
    assert limited.endswith("5 minutes ago, as far as was asked for. Still none in the cloud.")
    assert told(may_wipe=True, **judged).endswith("asked for. Ask again before you wipe it.")
    assert "DO NOT WIPE" in told(may_wipe=False, **judged)
    assert "card WIDE at" in told(source=None)


def test_trouble_is_told_and_wants_a_person() -> None:
    for change in (
        {"failing": ("Main failed twice.",)},
        {"damage": ("Roll 01 on Main: 1 files damaged",)},
        {"strangers": ("/media/x: It did not answer.",)},
    ):
        told = replace(IDLE, **change)  # type: ignore[arg-type]  # made up by name
        assert needs_person(told)
        assert next(iter(change.values()))[0] in text(told)


def test_a_pause_and_gaps_are_told() -> None:
    told = replace(IDLE, paused_until=NOON, rolls_with_gaps=2, bytes_to_go=10**9)
    assert "Paused until 2026-06-12 12:00." in text(told)
    assert "2 rolls with a gap, 1.00 GB to bring." in text(told)
    assert "2 rolls with a gap; nothing can be brought" in text(replace(told, bytes_to_go=0))
    assert "Nothing." in text(replace(IDLE, drives=()))
    assert "never seen by the daemon" in text(
        replace(IDLE, drives=(replace(IDLE.drives[1], last_seen=None, note="lent"),))
    )
    lent = replace(
        IDLE, drives=(replace(IDLE.drives[0], note="process 7 uses it", free_bytes=None),)
    )
    assert "at /media/main; process 7 uses it" in text(lent)


@pytest.mark.parametrize(
    ("line", "told"),
    [
        (LineStatus(), None),
        (LineStatus(limit_bytes_s=2_500_000), "Uploads take at most 2.50 MB/s (20 Mbit/s)."),
        (
            LineStatus(limit_bytes_s=2_500_000, changes_at=datetime(2026, 6, 12, 23, tzinfo=UTC)),
            "Uploads take at most 2.50 MB/s (20 Mbit/s) (until 2026-06-12 23:00).",
        ),
        (
            LineStatus(changes_at=datetime(2026, 6, 12, 7, tzinfo=UTC)),
            "Uploads take the whole line (until 2026-06-12 07:00).",
        ),
        (
            LineStatus(no_upload=WAITS_FOR_HOURS, changes_at=datetime(2026, 6, 12, 23, tzinfo=UTC)),
            "Uploads wait for their hours (until 2026-06-12 23:00).",
        ),
        (LineStatus(no_upload=METERED), "The line is metered"),
    ],
)
def test_what_the_line_may_be_used_for_is_told_where_anything_was_set(
    line: LineStatus, told: str | None
) -> None:
    said = text(replace(IDLE, line=line))
    assert told in said if told is not None else "ploads" not in said
    paused = replace(IDLE, line=line, paused_until=datetime(2026, 6, 13, tzinfo=UTC))
    assert "ploads" not in text(paused)


def test_when_a_bucket_will_have_all_is_told() -> None:
    on_its_way = Arrival(
        place="Off site",
        to_go=412 * 10**9,
        earliest=NOON + timedelta(hours=38),
        latest=NOON + timedelta(hours=69),
    )
    said = text(replace(IDLE, arrivals=(on_its_way,)))
    assert "Off site: 412 GB to go, done between Sunday 02:00 and Monday 09:00." in said


def test_what_is_worth_knowing_of_a_bucket_asks_for_nobody() -> None:
    note = "Off site was last checked 31 days ago."
    *_, last = status_lines(replace(IDLE, notes=(note,)), Look())
    assert (last.text, last.tone) == (note, Tone.QUIET)
    assert needs_person(replace(IDLE, notes=(note,))) == needs_person(IDLE)


def test_nothing_taken_in_is_not_told_as_no_gap() -> None:
    assert "No card was taken in yet." in text(replace(IDLE, rolls=0))
    assert "gap" not in text(replace(IDLE, rolls=0))
    assert "No roll has a gap" in text(replace(IDLE, rolls=1))


def test_a_drive_that_is_away_says_why_where_that_is_news() -> None:
    away = DriveStatus(
        name="Travel", role="secondary", note="Travel is not here (last seen at /x)."
    )
    assert "last seen at /x" not in text(replace(IDLE, drives=(away,)))
    clone = replace(away, note="What is at /x is a clone. It is not used.")
    assert "not here, never seen by the daemon. What is at /x is a" in text(
        replace(IDLE, drives=(clone,))
    )


def test_a_drive_without_its_marker_is_not_told_as_away() -> None:
    bare = DriveStatus(name="Main", role="primary", is_bare=True, note="Main is at /x, but")
    said = text(status := replace(IDLE, drives=(bare,)))
    assert "Main (primary): here without its marker. Main is at /x, but" in said
    assert needs_person(status)
    assert "not here" not in said


@pytest.mark.parametrize(
    "status",
    [
        replace(IDLE, process=None),
        replace(IDLE, paused_until=NOON),
        replace(IDLE, damage=("Roll 01 on Main: 1 file damaged",)),
    ],
)
def test_a_command_stands_on_a_line_of_its_own_however_narrow(status: Status) -> None:
    lines = [line.text for line in status_lines(status, Look(width=40, unicode=False))]
    commands = [line for line in lines if "backupkeeper" in line]
    assert commands
    assert all(line.startswith("      backupkeeper ") for line in commands)
    assert all(line.isascii() for line in lines)
