"""What goes on right now, as pieces of the live page: each replaces the one before it, whole.

Promises:
1. A piece says the same as ``status`` on a terminal: only what was measured or is a fact.
2. While a card is being read no piece says yes or no; a yes always comes with its moment and its
   cautions, and is not shown any more once what it rested on is gone.
3. Pieces are made with ``report.html`` alone, so no name in them is ever markup.
"""

from collections.abc import Iterator, Mapping
from datetime import timedelta, tzinfo
from typing import Final

from backupkeeper.core.deeds import DeedKind
from backupkeeper.core.line import PAUSED, WAITS_FOR_HOURS
from backupkeeper.core.matters import CAUTION
from backupkeeper.core.status import CardStatus, DeedStatus, Status, WaitStatus
from backupkeeper.report.arrivals import arrival_text
from backupkeeper.report.html import (
    Markup,
    Shape,
    Tone,
    control,
    element,
    joined,
    name,
    state,
    text,
)
from backupkeeper.report.status import progress_words, wait_words
from backupkeeper.report.words import age, moment, plural, size

NOW: Final = "live-now"
CARDS: Final = "live-cards"
PEACE: Final = "live-peace"
SAID: Final = "live-said"
WORD: Final = "live-word"
"""Where the script itself says that something was not to be had."""
MOST_WAITING: Final = 8
OLD_AFTER: Final = timedelta(minutes=30)
"""After so long a yes is told as something to ask again."""

LIVE_STYLE: Final = """
.live { max-width: var(--wide); margin: 0 auto; padding: var(--gap); }
@media (min-width: 60rem) {
  .live { display: grid; grid-template-columns: 1fr 1fr; gap: 0 2.5rem; }
  .live > :not(.live-part) { grid-column: 1 / -1; }
}
.live-part { margin: 0 0 1.2rem; }
.plain { list-style: none; padding: 0; }
.unseen { position: absolute; width: 1px; height: 1px; overflow: hidden; clip-path: inset(50%); }
.live-card + .live-card { border-top: 1px solid var(--rule); padding: 0.8em 0 0; }
.live-card h3 { margin-top: 0; }
.answer { font-size: 1.6rem; font-weight: 700; margin: 0.3em 0; padding: 0.3em 0.6em;
  border: 2px solid currentColor; display: inline-block; }
progress { width: 100%; height: 0.7em; accent-color: var(--ink); }
button { font: inherit; font-weight: 600; color: var(--ink); background: var(--sheet);
  border: 2px solid var(--ink); border-radius: 4px; padding: 0.45em 0.9em; margin: 0 0.5em 0.5em 0;
  cursor: pointer; min-height: 2.75rem; }
button[disabled] { border-style: dashed; color: var(--quiet); cursor: default; }
"""


def live_section() -> Markup:
    """Where the pieces go: above the report, empty until the first of them come."""

    def part(key: str, head: str) -> Markup:
        return element("div", element("h2", head), element("div", id=key), class_="live-part")

    return element(
        "section",
        part(NOW, "Right now"),
        part(CARDS, "Cards in a reader"),
        element("div", id=PEACE),
        element("p", id=WORD, role="status", class_="warn"),
        element("p", id=SAID, role="status", class_="unseen"),
        aria_label="What goes on right now",
        class_="live no-print",
    )


def live_parts(status: Status | None, zone: tzinfo) -> Mapping[str, str]:
    """Every piece by the id of the element that it fills.

    Args:
        status: what the daemon is at; None: it does not answer.
        zone: where the person is.
    """
    if status is None:
        silent = state(Shape.CROSS, Tone.BAD, "The daemon does not answer.")
        told = joined(silent, element("p", "What stands below was so when the page was made."))
        return {NOW: told.source, CARDS: "", PEACE: "", SAID: ""}
    return {
        NOW: joined(*_now(status, zone)).source,
        CARDS: joined(*_cards(status, zone)).source,
        PEACE: joined(*_peace(status, zone)).source,
        SAID: joined(*(_said(card, status) for card in status.cards)).source,
    }


# -- now


def _now(status: Status, zone: tzinfo) -> Iterator[Markup]:
    if not status.under_way:
        yield element("p", "Nothing is under way.")
    else:
        yield element(
            "ul", *(element("li", *_deed(one)) for one in status.under_way), class_="plain"
        )
    yield from _line(status, zone)
    yield from _list("Waiting", [_wait(one) for one in status.waiting[:MOST_WAITING]])
    if len(status.waiting) > MOST_WAITING:
        rest = len(status.waiting) - MOST_WAITING
        yield element("p", f"and {plural(rest, 'more', 'more')}", class_="quiet")
    yield from _list("Failed", [text(one) for one in status.failing])
    yield element("p", f"As of {moment(status.at, zone)}.", class_="quiet")


def _deed(deed: DeedStatus) -> Iterator[Markup | str]:
    yield text(deed.what)
    yield _bar(deed)
    yield element("small", progress_words(deed))


def _bar(deed: DeedStatus) -> Markup:
    label = f"{deed.what}: {size(deed.bytes_done)} of {size(deed.bytes_total)}"
    if not deed.bytes_total:
        return control("progress", aria_label=deed.what)
    done = min(deed.bytes_done, deed.bytes_total)
    return control("progress", max=deed.bytes_total, value=done, aria_label=label)


def _wait(one: WaitStatus) -> Markup:
    words = text(wait_words(one))
    return state(Shape.EMPTY, Tone.WARN, words) if one.person else words


def _line(status: Status, zone: tzinfo) -> Iterator[Markup]:
    if status.line.no_upload and status.line.no_upload != WAITS_FOR_HOURS:
        yield element("p", text(status.line.no_upload))
    elif status.line.no_upload:
        until = status.line.changes_at
        when = f" (until {moment(until, zone)})" if until is not None else ""
        yield element("p", f"Uploads wait for their hours{when}.")
    for one in status.line.down:
        yield element("p", state(Shape.CROSS, Tone.WARN, text(one)))
    for arrival in status.arrivals:
        yield element("p", text(arrival_text(arrival, status.at, zone)))


def _list(head: str, entries: list[Markup]) -> Iterator[Markup]:
    if entries:
        yield element("h3", head)
        yield element("ul", *(element("li", one) for one in entries), class_="plain")


# -- cards


def _cards(status: Status, zone: tzinfo) -> Iterator[Markup]:
    if not status.cards:
        yield element("p", "No card is in a reader.")
    for card in status.cards:
        yield element("div", *_card(card, status, zone), class_="live-card")


def _card(card: CardStatus, status: Status, zone: tzinfo) -> Iterator[Markup]:
    yield element("h3", text(card.source or card.label or "Card"))
    what = f"{plural(card.files, 'file')}, {size(card.size_bytes)}, at "
    yield element("p", what, name(card.point))
    reading = next((one for one in status.under_way if _is_verdict(one, card)), None)
    waiting = next((one for one in status.waiting if one.card == card.token and card.asked), None)
    if reading is not None:
        yield from _forming(reading)
        yield _button("Stop reading", do="stop", card=card.token)
        return
    if card.note:
        yield element("p", text(card.note))
    if card.asked:
        why = f" It waits: {waiting.why}" if waiting is not None else ""
        yield element("p", text(f"The card will be read.{why}"))
        yield _button("Never mind", do="stop", card=card.token)
        return
    yield from _answer(card, status, zone)
    again = "Ask again" if card.heard_at is not None else "May I wipe this card?"
    yield _button(again, do="judge", card=card.token)


def _is_verdict(deed: DeedStatus, card: CardStatus) -> bool:
    return deed.kind is DeedKind.JUDGE and bool(card.token) and deed.card == card.token


def _forming(deed: DeedStatus) -> Iterator[Markup]:
    yield element("p", element("strong", "Reading the whole card. No answer yet."))
    yield _bar(deed)
    yield element("p", progress_words(deed))
    read = deed.proven_files + deed.against_files
    if not read:
        return
    good = f"{plural(deed.proven_files, 'file')} read and proven where they must be"
    yield element("p", state(Shape.PART, Tone.QUIET, good))
    if deed.against_files:
        bad = f"{plural(deed.against_files, 'file')} against a yes"
        yield element("p", state(Shape.CROSS, Tone.BAD, bad))
        yield element("ul", *(element("li", text(one)) for one in deed.against))


def _answer(card: CardStatus, status: Status, zone: tzinfo) -> Iterator[Markup]:
    if card.heard_at is None:
        return
    when = f"Said {age(card.heard_at, status.at)} ({moment(card.heard_at, zone)})."
    if card.heard is None:
        if card.failure:
            yield element("p", state(Shape.DASH, Tone.WARN, "No answer: ", text(card.failure)))
        return
    if not card.heard:
        yield element("p", state(Shape.CROSS, Tone.BAD, "No"), class_="answer bad")
        yield element("p", element("strong", "This card must not be wiped. "), when)
        yield element("ul", *(element("li", text(one)) for one in card.reasons))
        if not card.reasons:
            yield element("p", "Ask again to see why.")
        return
    if status.at - card.heard_at >= OLD_AFTER:
        yield element(
            "p", "It was yes, but that was a while ago. ", when, " Ask again before you wipe it."
        )
        return
    yield element("p", state(Shape.FULL, Tone.GOOD, "Yes"), class_="answer good")
    yield element("p", element("strong", f"This card may be wiped{_far(card)}. "), when)
    for limit in card.reasons:
        yield element("p", state(Shape.PART, Tone.WARN, text(limit)))
    yield element("p", CAUTION)


def _said(card: CardStatus, status: Status) -> Markup | None:
    """A verdict, for those who hear the page: told when it comes."""
    if card.heard is None or card.asked or card.heard_at is None:
        return None
    if card.heard and status.at - card.heard_at >= OLD_AFTER:
        return None
    answer = f"may be wiped{_far(card)}" if card.heard else "must not be wiped"
    return text(f"{card.source or card.label or 'Card'}: this card {answer}. ")


def _far(card: CardStatus) -> str:
    """In the same breath as a yes; how far that is stands below it."""
    return ", as far as was asked for" if card.reasons else ""


def _button(words: str, *, do: str, card: str = "", **more: str) -> Markup:
    return control("button", words, type="button", data_do=do, data_card=card or None, **more)


# -- peace


def _peace(status: Status, zone: tzinfo) -> Iterator[Markup]:
    if status.paused_until is not None:
        yield element("p", f"Paused until {moment(status.paused_until, zone)}.")
        yield _button("Go on", do="resume")
        return
    yield _button("Pause for an hour", do="pause", data_hours="1")
    if status.line.no_upload == PAUSED:
        yield _button("Go on with uploads", do="resume", data_uploads="1")
    else:
        yield _button(
            "Pause only uploads for an hour", do="pause", data_hours="1", data_uploads="1"
        )
