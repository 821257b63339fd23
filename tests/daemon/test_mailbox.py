"""Mails are put into the outbox with what they tell, in threads; what could not go out is replaced."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, time, timedelta
from pathlib import Path

import pytest

from backupkeeper.catalog.store import SqliteCatalog, open_catalog
from backupkeeper.core.errors import CatalogError
from backupkeeper.core.hours import WeekTime
from backupkeeper.core.mailing import REPORT, WEEKLY_REPORT, Letter, LetterKind, LetterState
from backupkeeper.core.matters import Matter
from backupkeeper.core.model import Event, EventKind
from backupkeeper.daemon.mailbox import Mailbox
from tests.catalog.made import Watch
from tests.report.mailed import MAKER, all_well, parsed, parts, two_gaps

NOW = datetime(2026, 6, 15, 8, 0, tzinfo=UTC)
WEEK = timedelta(days=7)
MONDAY = WeekTime(weekday=0, at=time(8))
DAMAGE = Matter(id="damage|main|roll", subject="Damage on Main", body="Bad.", urgent=True)


@dataclass
class Ids:
    given: int = 0

    def new_id(self) -> str:
        self.given += 1
        return f"{self.given:08}-0000-4000-8000-000000000000"


@dataclass
class Office:
    catalog: SqliteCatalog
    clock: Watch = field(default_factory=lambda: Watch(NOW))

    def __post_init__(self) -> None:
        self.mailbox = Mailbox(
            catalog=self.catalog,
            clock=self.clock,
            entropy=Ids(),
            maker=replace(MAKER, zone=UTC),
            sender="me@example.org",
        )

    def goes_out(self) -> None:
        for one in self.catalog.waiting():
            self.catalog.letter_sent(one.message_id, self.clock.at)

    def only(self) -> Letter:
        (one,) = self.catalog.waiting()
        return one

    def header(self, name: str) -> str | None:
        found: str | None = parsed(self.only().message)[name]
        return found


def ident(number: int) -> str:
    return f"<{number:08}-0000-4000-8000-000000000000@example.org>"


@pytest.fixture
def office(tmp_path: Path) -> Iterator[Office]:
    with closing(open_catalog(str(tmp_path / "catalog.sqlite"), clock=Watch(NOW))) as catalog:
        yield Office(catalog)


def test_an_urgent_matter_and_the_memory_that_it_was_told_are_one(office: Office) -> None:
    (posted,) = office.mailbox.post_urgent([DAMAGE], next_at=NOW + WEEK)
    assert office.only() == posted.letter
    assert (posted.letter.kind, posted.letter.root) == (LetterKind.URGENT, ident(1))
    assert office.catalog.latest(EventKind.TOLD) == {
        DAMAGE.id: Event(at=NOW, kind=EventKind.TOLD, subject=DAMAGE.id, detail="Damage on Main")
    }
    assert office.header("Importance") == "high"


def test_neither_is_there_where_one_of_them_can_t_be(office: Office) -> None:
    connection = office.catalog._connection
    connection.execute(
        "CREATE TRIGGER no BEFORE INSERT ON events BEGIN SELECT RAISE(ABORT, 'x'); END"
    )
    with pytest.raises(CatalogError):
        office.mailbox.post_urgent([DAMAGE], next_at=None)
    assert office.catalog.waiting() == ()
    connection.execute("DROP TRIGGER no")
    connection.execute(
        "CREATE TRIGGER no BEFORE INSERT ON outbox BEGIN SELECT RAISE(ABORT, 'x'); END"
    )
    with pytest.raises(CatalogError):
        office.mailbox.post_weekly(all_well(), MONDAY)
    assert office.catalog.latest(EventKind.RAN) == {}


def test_repeats_of_a_matter_answer_its_first(office: Office) -> None:
    for day in range(3):
        office.clock.at = NOW + timedelta(days=day)
        office.mailbox.post_urgent([DAMAGE], next_at=None)
        if day:
            assert (office.header("In-Reply-To"), office.header("References")) == (ident(1),) * 2
        office.goes_out()
    office.mailbox.post_urgent([replace(DAMAGE, id="another")], next_at=None)
    assert office.header("In-Reply-To") is None
    office.goes_out()
    office.clock.at = NOW + timedelta(days=60)
    office.mailbox.post_urgent([DAMAGE], next_at=None)
    assert office.header("In-Reply-To") is None, "mended, and months later damaged again"


def test_each_report_answers_the_one_before_by_hand_or_not(office: Office) -> None:
    for week in range(3):
        office.clock.at = NOW + week * WEEK
        if week == 1:
            office.mailbox.post_report(all_well())
        else:
            assert office.mailbox.post_weekly(all_well(), MONDAY) is not None
        if week:
            assert office.header("In-Reply-To") == ident(week)
            assert str(office.header("References")).split() == list(
                dict.fromkeys((ident(1), ident(week)))
            )
        office.goes_out()


def test_a_report_that_could_not_go_out_is_replaced_by_the_next_which_says_so(
    office: Office,
) -> None:
    office.mailbox.post_weekly(two_gaps(), MONDAY)
    office.clock.at = NOW + WEEK
    office.mailbox.post_weekly(all_well(), MONDAY)
    only = office.only()
    assert only.message_id == ident(2)
    assert b"earlier mail about the same, of Monday 2026-06-15 08:00" in only.message
    assert office.header("In-Reply-To") is None, "nobody ever got the one before"
    assert [one.message_id for one in office.catalog.letters(REPORT, LetterState.REPLACED)] == [
        ident(1)
    ]


def test_what_is_urgent_replaces_only_itself(office: Office) -> None:
    office.mailbox.post_urgent([DAMAGE], next_at=None)
    office.mailbox.post_urgent([replace(DAMAGE, id="another")], next_at=None)
    office.mailbox.post_weekly(all_well(), MONDAY)
    office.clock.at = NOW + timedelta(days=1)
    office.mailbox.post_urgent([DAMAGE], next_at=None)
    assert [one.message_id for one in office.catalog.waiting()] == [ident(n) for n in (2, 3, 4)]
    last = office.catalog.waiting()[-1].message
    assert "This one replaces it." in " ".join(parts(parsed(last))[0].split())


def test_the_weekly_report_is_made_once_for_each_time_that_it_is_due(office: Office) -> None:
    assert office.mailbox.post_weekly(all_well(), MONDAY) is not None
    office.clock.at = NOW + timedelta(days=6)
    assert office.mailbox.post_weekly(all_well(), MONDAY) is None, "another worker made it"
    assert len(office.catalog.waiting()) == 1
    assert office.catalog.latest(EventKind.RAN)[WEEKLY_REPORT].at == NOW
    office.clock.at = NOW + WEEK + timedelta(hours=2)
    assert office.mailbox.post_weekly(all_well(), MONDAY) is not None
    office.clock.at = NOW - timedelta(days=1)
    assert office.mailbox.post_weekly(all_well(), MONDAY) is not None, "a clock that was set back"
    assert office.mailbox.post_weekly(all_well(), None) is not None


def test_a_report_by_hand_is_no_weekly_one(office: Office) -> None:
    office.mailbox.post_report(all_well())
    assert office.only().kind is LetterKind.BY_HAND
    assert office.catalog.latest(EventKind.RAN) == {}


def test_drafts_and_trials_put_nothing_in(office: Office) -> None:
    said, data = office.mailbox.draft_report(two_gaps())
    assert parsed(data)["Subject"] == said.subject
    assert b"backupkeeper mail test" in office.mailbox.trial(None).replace(b"=\r\n", b"")
    assert office.catalog.waiting() == ()


def test_the_outbox_is_as_the_schema_says(office: Office) -> None:
    office.mailbox.post_urgent([DAMAGE], next_at=None)
    with closing(sqlite3.connect(office.catalog._path)) as connection:
        assert connection.execute("SELECT state, tries FROM outbox").fetchall() == [("waiting", 0)]


def test_a_bad_day_comes_in_one_letter_and_each_of_it_is_told(office: Office) -> None:
    matters = [replace(DAMAGE, id=f"{n}", subject=f"Damage {n}") for n in range(200)]
    few = office.mailbox.post_urgent(matters[:3], next_at=None)
    assert [one.letter.subject for one in few] == ["Damage 0", "Damage 1", "Damage 2"]
    office.goes_out()
    (one,) = office.mailbox.post_urgent(matters, next_at=None)
    assert one.letter.subject == "200 urgent matters at once, the first: Damage 0"
    flat = " ".join(one.said.text.split())
    assert "Damage 39: Bad. and 160 more: type backupkeeper status" in flat
    assert len(office.catalog.latest(EventKind.TOLD)) == 200
    # Another bad day's letter never takes the place of this one; the same one's next does.
    office.mailbox.post_urgent(matters[:100], next_at=None)
    assert len(office.catalog.waiting()) == 2
    office.clock.at = NOW + timedelta(days=1)
    office.mailbox.post_urgent(list(reversed(matters)), next_at=None)
    assert len(office.catalog.waiting()) == 2
