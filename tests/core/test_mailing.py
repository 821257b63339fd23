"""When a letter is tried again, what it answers, in which order letters go."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.mailing import (
    LATER_WAITS,
    LINE_WAITS,
    MOST_REFUSALS,
    PERSON_WAITS,
    THREAD_LASTS,
    Answered,
    Hitch,
    Letter,
    LetterKind,
    LetterState,
    Sending,
    Stage,
    after_hitch,
    answered,
    in_order,
    is_due,
    is_of_the_line,
    replaced,
)

NOW = datetime(2026, 6, 15, 6, tzinfo=UTC)
DAY = timedelta(days=1)


def letter(name: str = "a", *, days: float = 0, **changes: object) -> Letter:
    values: dict[str, object] = {
        "message_id": f"<{name}@example.org>",
        "kind": LetterKind.WEEKLY,
        "thread": "report",
        "root": f"<{name}@example.org>",
        "subject": name,
        "made_at": NOW + days * DAY,
        "next_at": NOW,
        "message": b"",
    }
    return Letter(**(values | changes))  # type: ignore[arg-type]  # fields by name, as a table


@pytest.mark.parametrize(
    ("hitch", "waits"),
    [
        (Hitch.PORT_CLOSED, LINE_WAITS),
        (Hitch.NAME_NOT_FOUND, LINE_WAITS),
        (Hitch.UNCERTAIN, LINE_WAITS),
        (Hitch.LATER, LATER_WAITS),
        (Hitch.WRONG_PASSWORD, PERSON_WAITS),
        (Hitch.NOT_TRUSTED, PERSON_WAITS),
        (Hitch.RECIPIENT_REFUSED, PERSON_WAITS),
    ],
)
def test_waits_grow_to_a_bound_and_never_end(hitch: Hitch, waits: tuple[timedelta, ...]) -> None:
    one = letter()
    for tries in range(100):
        state, at = after_hitch(replace(one, tries=tries), hitch, NOW)
        assert (state, at - NOW) == (LetterState.WAITING, waits[min(tries, len(waits) - 1)])
    assert list(waits) == sorted(waits)


@pytest.mark.parametrize("hitch", [Hitch.REFUSED, Hitch.TOO_LARGE])
def test_a_letter_that_is_refused_for_what_it_is_ends_after_some_tries(hitch: Hitch) -> None:
    states = [after_hitch(letter(tries=n), hitch, NOW)[0] for n in range(MOST_REFUSALS)]
    assert states == [LetterState.WAITING] * (MOST_REFUSALS - 1) + [LetterState.REFUSED]


def test_what_stops_one_letter_only_and_what_stops_all() -> None:
    of_one = {one for one in Hitch if not is_of_the_line(one)}
    assert of_one == {Hitch.TOO_LARGE, Hitch.REFUSED, Hitch.LATER, Hitch.UNCERTAIN}


def test_a_letter_is_due_in_its_time_or_where_a_wrong_clock_set_it() -> None:
    assert is_due(letter(), NOW)
    assert not is_due(letter(next_at=NOW + timedelta(hours=6)), NOW)
    assert is_due(letter(next_at=NOW + timedelta(hours=6, seconds=1)), NOW)


def test_urgent_letters_go_first_then_the_oldest() -> None:
    urgent, hand = LetterKind.URGENT, LetterKind.BY_HAND
    found = in_order(
        [
            letter("week", days=-9),
            letter("hand", days=-1, kind=hand),
            letter("new", kind=urgent),
            letter("old", days=-2, kind=urgent),
        ]
    )
    assert [one.subject for one in found] == ["old", "new", "hand", "week"]


def test_the_first_of_a_thread_answers_nobody() -> None:
    found = answered([], LetterKind.WEEKLY, NOW)
    assert (found, found.root) == (Answered(), "")
    assert replaced([]) is None


def test_a_report_answers_the_one_before() -> None:
    first = letter("1", days=-14)
    second = letter("2", days=-7, root=first.root)
    assert answered([first], LetterKind.WEEKLY, NOW) == Answered(
        in_reply_to="<1@example.org>", references=("<1@example.org>",)
    )
    third = answered([second, first], LetterKind.BY_HAND, NOW)
    assert (third.in_reply_to, third.references, third.root) == (
        "<2@example.org>",
        ("<1@example.org>", "<2@example.org>"),
        "<1@example.org>",
    )


def test_a_repeat_of_something_urgent_answers_its_first_as_long_as_it_goes_on() -> None:
    first = letter("1", days=-20)
    second = letter("2", days=-13, root=first.root)
    found = answered([first, second], LetterKind.URGENT, NOW)
    assert (found.in_reply_to, found.references) == (first.root, (first.root,))
    later = NOW + THREAD_LASTS
    assert answered([first, second], LetterKind.URGENT, later) == Answered()


def test_the_oldest_that_waits_is_told_of() -> None:
    assert replaced([letter("2"), letter("1", days=-1)]) == letter("1", days=-1)


def test_a_try_without_a_hitch_was_taken() -> None:
    assert Sending(done=(), stage=Stage.HAND_OVER).taken
    assert not Sending(done=(), stage=Stage.NAME, hitch=Hitch.LATER).taken


@given(st.lists(st.sampled_from(Hitch), max_size=30))
def test_a_letter_waits_on_or_was_refused_and_nothing_else(hitches: list[Hitch]) -> None:
    one, now = letter(), NOW
    for hitch in hitches:
        state, at = after_hitch(one, hitch, now)
        assert now < at <= now + PERSON_WAITS[-1] or state is LetterState.REFUSED
        if state is LetterState.REFUSED:
            assert hitch in {Hitch.TOO_LARGE, Hitch.REFUSED}
            return
        one, now = replace(one, tries=one.tries + 1, next_at=at), at
