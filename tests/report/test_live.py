"""The live page's pieces: what goes on, cards and their verdicts as they form, and peace."""

from dataclasses import replace
from datetime import UTC, timedelta
from html.parser import HTMLParser

import pytest

from backupkeeper.core.deeds import DeedKind
from backupkeeper.core.line import PAUSED, WAITS_FOR_HOURS
from backupkeeper.core.matters import CAUTION
from backupkeeper.core.status import CardStatus, DeedStatus, Status, WaitStatus
from backupkeeper.report.live import MOST_WAITING, live_parts
from tests.report.test_status import CARD, IDLE, NOON, UPLOAD

HERE = replace(CARD, token="this mount", may_wipe=None, judged_at=None, note="")
READING = DeedStatus(
    kind=DeedKind.JUDGE,
    what="verdict Wide",
    why="You asked whether it may be wiped.",
    since=NOON,
    stage="Reading the card",
    bytes_done=40,
    bytes_total=100,
    files_done=4,
    files_total=9,
    bytes_a_second=None,
    seconds_left=None,
    card="this mount",
)


class Seen(HTMLParser):
    """Words, and what can be pressed."""

    def __init__(self, source: str) -> None:
        super().__init__()
        self.words = ""
        self.buttons: list[dict[str, str | None]] = []
        self.tags: list[str] = []
        self.feed(source)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        if tag == "button":
            self.buttons.append(dict(attrs))

    def handle_data(self, data: str) -> None:
        self.words += data


def seen(status: Status | None, part: str) -> Seen:
    return Seen(live_parts(status, UTC)[f"live-{part}"])


def with_card(card: CardStatus, **changes: object) -> Seen:
    return seen(replace(IDLE, cards=(card,), **changes), "cards")  # type: ignore[arg-type] # fields by name


def test_a_daemon_that_does_not_answer_offers_nothing_to_press() -> None:
    assert "The daemon does not answer." in seen(None, "now").words
    assert seen(None, "cards").words == seen(None, "peace").words == ""


def test_what_is_under_way_is_told_in_words_and_by_a_bar_that_has_a_name() -> None:
    found = seen(replace(IDLE, under_way=(UPLOAD,)), "now")
    assert UPLOAD.what in found.words
    assert "9.00 GB of 50.0 GB, 1 of 9 files, 2.00 MB/s" in found.words
    source = live_parts(replace(IDLE, under_way=(UPLOAD,)), UTC)["live-now"]
    assert (
        '<progress max="50000000000" value="9000000000" aria-label="upload Wide/Roll 02' in source
    )
    unknown = replace(UPLOAD, bytes_total=0)
    source = live_parts(replace(IDLE, under_way=(unknown,)), UTC)["live-now"]
    assert '<progress aria-label="upload Wide/Roll 02' in source
    assert "value=" not in source, "not a bar that stands at nothing"


def test_only_a_few_of_what_waits_are_listed_and_the_rest_is_counted() -> None:
    wait = WaitStatus(kind=DeedKind.MIRROR, what="second copy", why="no drive.", size_bytes=1)
    waiting = (replace(wait, person=True),) + (wait,) * (MOST_WAITING + 4)
    found = seen(replace(IDLE, waiting=waiting), "now")
    assert found.words.count("second copy") == MOST_WAITING
    assert "and 5 more" in found.words


@pytest.mark.parametrize(
    ("why", "words"),
    [
        (WAITS_FOR_HOURS, "Uploads wait for their hours (until 2026-06-12 13:00)."),
        ("A reason.", "A reason."),
    ],
)
def test_why_nothing_is_uploaded_is_said(why: str, words: str) -> None:
    line = replace(
        IDLE.line, no_upload=why, changes_at=NOON + timedelta(hours=1), down=("It is down.",)
    )
    found = seen(replace(IDLE, line=line, failing=("Main failed once.",)), "now")
    assert words in found.words
    assert "It is down." in found.words
    assert "Main failed once." in found.words


def test_without_a_card_nothing_is_asked() -> None:
    found = seen(IDLE, "cards")
    assert found.words == "No card is in a reader."
    assert found.buttons == []


def test_a_card_can_be_asked_about() -> None:
    found = with_card(HERE)
    (button,) = found.buttons
    assert (button["data-do"], button["data-card"]) == ("judge", "this mount")
    assert "May I wipe this card?" in found.words


def test_a_card_that_waits_says_for_what() -> None:
    wait = WaitStatus(
        kind=DeedKind.JUDGE,
        what="verdict",
        why="Wide is offloaded.",
        size_bytes=0,
        card="this mount",
    )
    found = with_card(replace(HERE, asked=True), waiting=(wait,))
    assert "The card will be read. It waits: Wide is offloaded." in found.words
    assert [one["data-do"] for one in found.buttons] == ["stop"]
    assert "The card will be read." in with_card(replace(HERE, asked=True)).words


@pytest.mark.parametrize("heard", [None, True, False])
def test_while_a_card_is_read_there_is_neither_yes_nor_no(heard: bool | None) -> None:
    before = replace(HERE, asked=True, heard=heard, heard_at=NOON, reasons=("a reason",))
    forming = replace(READING, proven_files=3, against_files=2, against=("A.MP4 lacks.", "B"))
    found = with_card(before, under_way=(forming,))
    assert "Reading the whole card. No answer yet." in found.words
    assert "3 files read and proven where they must be" in found.words
    assert "2 files against a yes" in found.words
    assert "A.MP4 lacks." in found.words
    source = live_parts(replace(IDLE, cards=(before,), under_way=(forming,)), UTC)["live-cards"]
    assert 'class="answer' not in source
    assert "may be wiped" not in found.words
    assert [one["data-do"] for one in found.buttons] == ["stop"]


def test_a_card_of_which_nothing_was_read_yet_shows_no_counts() -> None:
    found = with_card(replace(HERE, asked=True), under_way=(READING,))
    assert "proven" not in found.words
    fine = with_card(HERE, under_way=(replace(READING, proven_files=1),))
    assert "against" not in fine.words


def test_a_verdict_on_another_mount_says_nothing_of_this_card() -> None:
    other = replace(READING, card="another mount", proven_files=3)
    assert "No answer yet" not in with_card(HERE, under_way=(other,)).words
    nameless = replace(READING, card="")
    assert "No answer yet" not in with_card(replace(HERE, token=""), under_way=(nameless,)).words


def test_a_yes_comes_with_its_moment_and_its_cautions() -> None:
    found = with_card(replace(HERE, heard=True, heard_at=NOON - timedelta(minutes=5)))
    assert "Yes" in found.words.split("\n")[0]
    assert "This card may be wiped. Said 5 minutes ago (2026-06-12 11:55)." in found.words
    assert CAUTION in found.words
    assert "Ask again" in found.words
    limited = replace(HERE, heard=True, heard_at=NOON, reasons=("Still none in the cloud.",))
    found = with_card(limited)
    assert "Still none in the cloud." in found.words, "in the same breath"
    assert "This card may be wiped, as far as was asked for. Said" in found.words
    said = seen(replace(IDLE, cards=(limited,)), "said").words
    assert said == "Wide: this card may be wiped, as far as was asked for. "


def test_who_hears_the_page_is_told_a_verdict_once_it_is_there() -> None:
    fresh = replace(HERE, heard=True, heard_at=NOON)
    assert seen(replace(IDLE, cards=(fresh,)), "said").words == "Wide: this card may be wiped. "
    no = replace(fresh, heard=False, source=None, label="")
    assert seen(replace(IDLE, cards=(no,)), "said").words == "Card: this card must not be wiped. "
    old = replace(fresh, heard_at=NOON - timedelta(hours=1))
    for silent in (HERE, replace(fresh, asked=True), old):
        assert seen(replace(IDLE, cards=(silent,)), "said").words == ""


def test_an_old_yes_is_no_yes_any_more() -> None:
    found = with_card(replace(HERE, heard=True, heard_at=NOON - timedelta(hours=1)))
    assert "It was yes, but that was a while ago." in found.words
    assert "may be wiped" not in found.words
    assert "answer good" not in live_parts(IDLE, UTC)["live-cards"]


def test_a_no_comes_with_every_reason() -> None:
    reasons = ("3 files have no copy in the cloud. (A, B, C) backupkeeper upload", "Another.")
    found = with_card(replace(HERE, heard=False, heard_at=NOON, reasons=reasons))
    assert "This card must not be wiped." in found.words
    assert all(one in found.words for one in reasons)
    bare = with_card(replace(HERE, heard=False, heard_at=NOON))
    assert "Ask again to see why." in bare.words, "the daemon was started anew since"


def test_no_answer_says_why_and_a_note_on_the_card_stands_before_it() -> None:
    found = with_card(
        replace(HERE, heard_at=NOON, failure="The card is gone.", note="It is mounted writable.")
    )
    assert "No answer: The card is gone." in found.words
    assert found.words.index("writable") < found.words.index("No answer")
    withdrawn = with_card(replace(HERE, heard_at=NOON, note="The last verdict does NOT hold."))
    assert "NOT hold" in withdrawn.words
    assert "Yes" not in withdrawn.words


def test_peace_can_be_had_and_ended() -> None:
    def pressed(status: Status) -> list[tuple[str | None, ...]]:
        found = seen(status, "peace")
        return [
            (one["data-do"], one.get("data-hours"), one.get("data-uploads"))
            for one in found.buttons
        ]

    assert pressed(IDLE) == [("pause", "1", None), ("pause", "1", "1")]
    uploads = replace(IDLE, line=replace(IDLE.line, no_upload=PAUSED))
    assert pressed(uploads) == [("pause", "1", None), ("resume", None, "1")]
    paused = replace(IDLE, paused_until=NOON + timedelta(hours=1))
    assert pressed(paused) == [("resume", None, None)]


@pytest.mark.parametrize(
    "hostile",
    [
        "<script>alert(1)</script>",
        "</div><img src=x>",
        "\u202egnp.exe",
        "a\nb",
        "é\U0001f6f6",
        "\udc80",
        "\"'&",
    ],
)
def test_no_name_is_ever_markup(hostile: str) -> None:
    card = CardStatus(
        point=f"/media/{hostile}", label=hostile, source=None, files=1, size_bytes=1, taken=False,
        may_wipe=None, judged_at=None, note=hostile, token=hostile, heard=False, heard_at=NOON,
        reasons=(hostile,), failure=hostile,
    )  # fmt: skip
    deed = replace(UPLOAD, what=hostile, path=hostile)
    status = replace(IDLE, cards=(card,), under_way=(deed,), failing=(hostile,))
    for source in live_parts(status, UTC).values():
        found = Seen(source)
        assert set(found.tags) <= {
            "p", "ul", "li", "small", "strong", "div", "h3", "bdi", "span", "svg", "circle", "path",
            "progress", "button", "wbr",
        }  # fmt: skip
        source.encode("utf-8")
        assert "\u202e" not in source
