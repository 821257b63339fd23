"""A daemon that runs, but whose status can't be had: the report goes on without, and says so."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC
from pathlib import Path
from typing import Any

import pytest

from backupkeeper.daemon.control import Ear, Request
from backupkeeper.report.lines import Look
from backupkeeper.report.overview import overview_lines
from backupkeeper.report.overview_json import overview_json
from backupkeeper.report.page import page
from backupkeeper.report.status import needs_person, status_json, status_lines
from backupkeeper.wiring.keeper import Keeper
from backupkeeper.wiring.telling import OTHER_DAEMON, SILENT_DAEMON
from tests.stories.yard import NO_CLOUD, Yard

UNKNOWN = {"error": "The daemon does not know what that means (yet)."}


@contextmanager
def answered_by(folder: Path, told: dict[str, Any]) -> Iterator[Keeper]:
    """A keeper beside a daemon that gives this answer to everything."""

    def answer(request: Request) -> None:
        request.answer(told)

    with Yard(folder, policy=NO_CLOUD).keeper() as keeper, keeper.as_daemon():
        ear = Ear(f"{keeper.config.catalog.path}.locks", answer)
        ear.start()
        try:
            yield keeper
        finally:
            ear.stop()


@pytest.mark.parametrize(
    ("told", "sentence"),
    [
        ({"status": {"version": 1, "at": "2020-01-01T00:00:00+00:00"}}, OTHER_DAEMON),
        ({"status": {"version": 2}}, OTHER_DAEMON),
        ({"status": None}, OTHER_DAEMON),
        (UNKNOWN, SILENT_DAEMON),
    ],
    ids=["of an older version", "of a newer version", "nonsense", "not ready"],
)
def test_what_a_daemon_says_that_is_not_understood_stops_nothing(
    tmp_path: Path, told: dict[str, Any], sentence: str
) -> None:
    with answered_by(tmp_path, told) as keeper:
        found, status = keeper.overview(), keeper.status()
    look = Look(width=1000)
    for lines in (overview_lines(found, look), status_lines(status, look)):
        text = "\n".join(line.text for line in lines)
        assert sentence in text
        assert "No daemon" not in text
        assert "not running" not in text
    whole = page(found, posters={}, zone=UTC)
    assert sentence in whole
    assert "No daemon" not in whole
    assert found.next_at is not None, "it runs, so it sends the weekly report"
    assert overview_json(found)["daemon_unheard"] == sentence
    assert status_json(status)["unheard"] == sentence
    assert needs_person(status)


def test_a_daemon_that_runs_and_hears_nothing_is_not_called_absent(tmp_path: Path) -> None:
    with Yard(tmp_path, policy=NO_CLOUD).keeper() as keeper:
        with keeper.as_daemon():
            assert keeper.overview().unheard == SILENT_DAEMON
            assert keeper.status().unheard == SILENT_DAEMON
        assert keeper.overview().unheard == ""
        assert "not running" in status_lines(keeper.status(), Look())[0].text
