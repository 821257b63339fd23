"""Letters in the catalog: kept as they are, replaced and ended once, and in no snapshot."""

import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings, strategies as st

from backupkeeper.catalog import opening
from backupkeeper.catalog.foreign import checked
from backupkeeper.catalog.merge import merge
from backupkeeper.catalog.outbox import open_outbox
from backupkeeper.catalog.store import SqliteCatalog, open_catalog
from backupkeeper.core.errors import CatalogError
from backupkeeper.core.mailing import Letter, LetterKind, LetterState
from backupkeeper.core.model import Event, EventKind
from tests.catalog.foreign_made import packed, unpacked, usual
from tests.catalog.made import NOW, Watch, texts

SECRET = b"SECRET-OF-A-LETTER-" * 400
DAY = timedelta(days=1)


def letter(name: str = "a", **changes: object) -> Letter:
    values: dict[str, object] = {
        "message_id": f"<{name}@example.org>",
        "kind": LetterKind.URGENT,
        "thread": "damage|main|roll",
        "root": "<first@example.org>",
        "subject": "Damage on Main",
        "made_at": NOW,
        "next_at": NOW,
        "message": b"Subject: x\r\n\r\n" + SECRET,
    }
    return Letter(**(values | changes))  # type: ignore[arg-type]  # fields by name, as a table


def test_a_letter_is_known_to_the_next_program_as_it_was(file: str) -> None:
    with closing(open_catalog(file, clock=Watch())) as catalog:
        catalog.post(letter("b", thread="other"))
        catalog.post(letter("a", made_at=NOW - DAY))
    with closing(open_catalog(file, clock=Watch())) as catalog:
        assert catalog.waiting() == (letter("a", made_at=NOW - DAY), letter("b", thread="other"))
        assert catalog.letters("other", LetterState.WAITING) == (letter("b", thread="other"),)
        assert catalog.letters("other", LetterState.SENT) == ()


def test_a_newer_letter_replaces_those_of_its_thread_that_wait(catalog: SqliteCatalog) -> None:
    for name in ("sent", "waits"):
        catalog.post(letter(name))
        if name == "sent":
            catalog.letter_sent("<sent@example.org>", NOW)
    catalog.post(letter("other", thread="other"))
    catalog.post(letter("new", made_at=NOW + DAY))
    assert [one.message_id[1:-13] for one in catalog.waiting()] == ["other", "new"]
    (gone,) = catalog.letters("damage|main|roll", LetterState.REPLACED)
    assert (gone.message_id, gone.message, gone.ended_at) == (
        "<waits@example.org>",
        b"",
        NOW + DAY,
    )
    (sent,) = catalog.letters("damage|main|roll", LetterState.SENT)
    assert (sent.message_id, sent.tries, sent.message) == ("<sent@example.org>", 1, b"")


def test_what_failed_waits_with_its_reason_and_what_ended_stays_ended(
    catalog: SqliteCatalog,
) -> None:
    catalog.post(letter())
    ident = letter().message_id
    waiting, refused = LetterState.WAITING, LetterState.REFUSED
    catalog.letter_failed(ident, NOW, state=waiting, next_at=NOW + DAY, said="No line.")
    (one,) = catalog.waiting()
    assert one == replace(letter(), tries=1, next_at=NOW + DAY, said="No line.")
    catalog.hurry(NOW + timedelta(hours=1))
    assert catalog.waiting()[0].next_at == NOW + timedelta(hours=1)
    catalog.letter_failed(ident, NOW, state=refused, next_at=NOW, said="Spam.")
    assert catalog.waiting() == ()
    (one,) = catalog.letters(letter().thread, refused)
    assert (one.tries, one.said, one.message, one.ended_at) == (2, "Spam.", b"", NOW)
    catalog.letter_failed(ident, NOW, state=waiting, next_at=NOW, said="again")
    assert catalog.letters(letter().thread, refused) == (one,)


def test_one_that_was_replaced_while_it_was_being_sent_was_sent(catalog: SqliteCatalog) -> None:
    catalog.post(letter("old"))
    catalog.post(letter("new"))
    catalog.letter_sent("<old@example.org>", NOW)
    assert [one.message_id for one in catalog.letters(letter().thread, LetterState.SENT)] == [
        "<old@example.org>"
    ]


def test_old_ones_that_ended_are_forgotten(catalog: SqliteCatalog) -> None:
    for name in ("a", "b", "c"):
        catalog.post(letter(name, thread=name))
    catalog.letter_sent("<a@example.org>", NOW - DAY)
    catalog.letter_sent("<b@example.org>", NOW)
    catalog.thin_letters(NOW)
    assert [
        [one.message_id for one in catalog.letters(name, LetterState.SENT)] for name in "ab"
    ] == [[], ["<b@example.org>"]]
    assert len(catalog.waiting()) == 1


def test_the_same_letter_twice_is_refused_and_the_first_stands(catalog: SqliteCatalog) -> None:
    catalog.post(letter())
    with pytest.raises(CatalogError):
        catalog.post(letter(subject="another", thread="x"))
    assert catalog.waiting() == (letter(),)


def test_a_letter_and_what_it_tells_are_one_step(catalog: SqliteCatalog) -> None:
    def interrupted() -> None:
        with catalog.transaction():
            catalog.post(letter())
            catalog.note([Event(at=NOW, kind=EventKind.TOLD, subject="a")])
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert (catalog.waiting(), dict(catalog.latest(EventKind.TOLD))) == ((), {})


def test_letters_are_no_change_of_what_is_known(catalog: SqliteCatalog) -> None:
    before = catalog.change_mark()
    catalog.post(letter())
    catalog.hurry(NOW)
    catalog.letter_sent(letter().message_id, NOW)
    catalog.thin_letters(NOW + DAY)
    assert catalog.change_mark() == before


def test_another_thread_uses_an_opening_of_its_own(catalog: SqliteCatalog, file: str) -> None:
    catalog.post(letter())
    with closing(open_outbox(file, clock=Watch())) as other:
        assert other.waiting() == (letter(),)
        other.letter_sent(letter().message_id, NOW)
    assert catalog.waiting() == ()


def test_no_letter_nor_what_is_left_of_one_is_in_a_snapshot(tmp_path: Path) -> None:
    path = usual(tmp_path / "catalog.sqlite")
    with closing(open_catalog(str(path), clock=Watch())) as catalog:
        for number in range(8):
            catalog.post(letter(f"{number}", subject="SECRET-OF-A-SUBJECT"))
        catalog.letter_sent("<7@example.org>", NOW - DAY)
        catalog.thin_letters(NOW)
        catalog.post(letter("last", thread="SECRET-OF-A-THREAD"))
    back = unpacked(packed(path), tmp_path / "back")
    assert b"SECRET-OF-A" not in back.read_bytes()
    assert b"example.org" not in back.read_bytes()
    checked(str(back))
    with closing(sqlite3.connect(back)) as connection:
        assert connection.execute("SELECT count(*) FROM outbox").fetchone() == (0,)
    with closing(open_catalog(str(path), clock=Watch())) as catalog:
        assert len(catalog.waiting()) == 1, "the catalog itself keeps its own"


def test_a_letter_of_another_machine_is_never_taken_over(tmp_path: Path) -> None:
    """Else two machines would send the same mail. (A snapshot of ours holds none: this one lies.)"""
    ours, theirs = usual(tmp_path / "ours"), unpacked(packed(usual(tmp_path / "b")), tmp_path / "t")
    with closing(open_catalog(str(theirs), clock=Watch())) as catalog:
        catalog.post(letter())
    with closing(sqlite3.connect(theirs)) as connection:
        connection.execute("PRAGMA journal_mode = DELETE")
    merge(str(ours), checked(str(theirs)), clock=Watch())
    with closing(open_catalog(str(ours), clock=Watch())) as catalog:
        assert catalog.waiting() == ()


def memory() -> SqliteCatalog:
    connection = sqlite3.connect(":memory:", isolation_level=None)
    opening.migrate(connection, ":memory:", opening.scripts())
    return SqliteCatalog(connection, ":memory:", clock=Watch(), checked="")


@settings(max_examples=40)
@given(texts, texts, st.binary(max_size=300), st.sampled_from(LetterKind))
def test_any_text_comes_back_as_it_was(
    thread: str, subject: str, message: bytes, kind: LetterKind
) -> None:
    made = letter(thread=thread, subject=subject, message=message, kind=kind)
    with closing(memory()) as catalog:
        catalog.post(made)
        assert catalog.letters(thread, LetterState.WAITING) == (made,)
