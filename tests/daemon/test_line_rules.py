"""What the person says of the line reaches the plan, the workers and the status."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from typing import Any

import pytest

from backupkeeper.core.hours import Window
from backupkeeper.core.line import METERED, PAUSED, WAITS_FOR_HOURS, LineWindow
from backupkeeper.daemon.control import Request
from backupkeeper.daemon.loop import Loop
from tests.daemon.whole_loop import whole_loop

NOON = datetime(2026, 6, 12, 12, tzinfo=UTC)
DAY = LineWindow(window=Window(start=time(7), end=time(23)), limit=2_500_000)
HOUR = timedelta(hours=1)


@pytest.fixture
def loop(tmp_path: Path) -> Iterator[Loop]:
    with whole_loop(tmp_path) as found:
        found.seeing.tz = UTC
        upload = replace(found.seeing.context.config.upload, windows=(DAY,), limit=1_000_000)
        config = replace(found.seeing.context.config, upload=upload)
        found.seeing.context = replace(found.seeing.context, config=config)
        yield found


def ask(loop: Loop, what: str, now: datetime = NOON, **values: Any) -> dict[str, Any]:
    request = Request(what=what, values=values)
    return loop.answers.answer(request, loop.view, loop.last_plan, now)


def test_the_hours_know_the_window_and_its_limit(loop: Loop) -> None:
    hours = loop.seeing.hours(NOON)
    assert (hours.may_upload, hours.no_upload, hours.upload_limit) == (True, "", 2_500_000)
    night = loop.seeing.hours(NOON + 12 * HOUR)
    assert (night.may_upload, night.no_upload) == (False, WAITS_FOR_HOURS)


def test_a_pause_of_uploads_ends_by_itself_and_by_command_and_holds_nothing_else(
    loop: Loop,
) -> None:
    assert ask(loop, "pause", seconds=600, uploads=True) == {"paused": True}
    hours = loop.seeing.hours(NOON)
    assert (hours.may_upload, hours.no_upload) == (False, PAUSED)
    assert hours.changes_at == NOON + timedelta(minutes=10)
    assert not loop.seeing.is_paused(NOON)
    assert loop.seeing.hours(NOON + timedelta(minutes=10)).may_upload
    ask(loop, "pause", uploads=True)
    assert not loop.seeing.hours(NOON + HOUR).may_upload
    ask(loop, "resume", uploads=True)
    assert loop.seeing.hours(NOON).may_upload


def test_resuming_uploads_leaves_a_pause_of_everything_and_resuming_all_ends_both(
    loop: Loop,
) -> None:
    ask(loop, "pause")
    ask(loop, "pause", uploads=True)
    ask(loop, "resume", uploads=True)
    assert loop.seeing.is_paused(NOON)
    ask(loop, "pause", uploads=True)
    ask(loop, "resume")
    assert not loop.seeing.is_paused(NOON)
    assert loop.seeing.hours(NOON).may_upload


def test_a_metered_line_holds_uploads_unless_they_may(loop: Loop) -> None:
    loop.seeing.is_metered = lambda: True
    assert loop.seeing.hours(NOON).no_upload == METERED
    upload = replace(loop.seeing.context.config.upload, on_metered=True)
    config = replace(loop.seeing.context.config, upload=upload)
    loop.seeing.context = replace(loop.seeing.context, config=config)
    assert loop.seeing.hours(NOON).may_upload


def test_status_tells_of_the_line(loop: Loop) -> None:
    loop.seeing.is_metered = lambda: True
    loop.step()
    assert loop.view is not None
    view = replace(loop.view, hours=loop.seeing.hours(NOON))
    line = loop.answers.status(view, loop.last_plan, NOON).line
    assert line.no_upload == METERED
    assert (line.limit_bytes_s, line.is_metered) == (2_500_000, True)
    assert line.changes_at == NOON + 11 * HOUR
