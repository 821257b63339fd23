"""A whole loop, with a real worker, that has nothing to do but to thin old facts."""

import sqlite3
from collections.abc import Mapping
from contextlib import closing
from datetime import timedelta
from pathlib import Path

from backupkeeper.core.deeds import DeedKind
from backupkeeper.core.model import Event, EventKind, Way
from backupkeeper.core.thinning import RUN
from backupkeeper.daemon.notes import Log, Value
from tests.catalog.made import MAIN, fact
from tests.daemon.whole_loop import whole_loop

DAY = timedelta(days=1)


class Heard:
    """A log that a test reads."""

    def __init__(self) -> None:
        self.said: list[str] = []

    def write(self, message: str, *, urgent: bool, fields: Mapping[str, Value]) -> None:
        self.said.append(message)


def test_left_running_it_thins_once_and_says_so_in_one_line(tmp_path: Path) -> None:
    with whole_loop(tmp_path) as loop:
        heard = Heard()
        loop.log = Log(heard)
        context = loop.seeing.context
        now, catalog = context.clock.now(), context.catalog
        facts = [fact(at=now - days * DAY, way=Way.REHASH) for days in (1000, 900, 800, 700, 5)]
        catalog.record(facts=facts)
        loop.step()
        assert loop.workbench.jobs == {}, "a catalog that is new today has nothing to thin"
        begun = Event(at=now - 40 * DAY, kind=EventKind.RAN, subject="first run")
        with closing(sqlite3.connect(tmp_path / "catalog.sqlite", isolation_level=None)) as other:
            other.execute("DELETE FROM events WHERE kind = 'ran'")
        catalog.note([begun])
        try:
            loop.step()
            assert [job.deed.kind for job in loop.workbench.jobs.values()] == [DeedKind.THIN]
            while loop.workbench.jobs:
                loop._wait()  # for a letter: its worker tells its end, whatever that is
            loop.step()
            assert loop.workbench.jobs == {}, "it is done for a month"
        finally:
            loop.crew.end()
        assert set(catalog.facts_at(MAIN)) == {facts[0], facts[3], facts[4]}
        assert RUN in catalog.latest(EventKind.RAN)
    told = [one for one in heard.said if one.startswith("thinning of old facts: ")]
    assert told == [
        "thinning of old facts: Of 1 copy 2 facts went that only repeated those before and after them."
    ]
