"""Both parts say the same, nothing can be forged, nothing is too large, weak programs can show it."""

import mailbox
import re
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings, strategies as st

from backupkeeper.core.errors import BrokenPromiseError
from backupkeeper.core.mailing import MOST_BYTES, Answered, LetterKind
from backupkeeper.core.matters import Matter
from backupkeeper.core.overview import Overview
from backupkeeper.report import mail_html, mail_picture
from backupkeeper.report.mail import (
    ADDRESS_BYTES,
    Envelope,
    composed,
    fitting,
    message_id,
    said,
)
from backupkeeper.report.mail_parts import Bar, Draft, Item, Lead, Part, Table, Tone, cut
from backupkeeper.report.mail_text import WIDTH, text_part
from backupkeeper.report.mail_trial import trial
from backupkeeper.report.mail_urgent import urgent
from backupkeeper.report.mail_weekly import weekly
from backupkeeper.report.words import told
from tests.report.boatyard import NOW
from tests.report.mailed import (
    DAY,
    ENVELOPE,
    HOSTILE,
    MAKER,
    all_lost,
    all_well,
    first_day,
    hostile,
    mailed,
    many,
    nothing_yet,
    page_of,
    parsed,
    parts,
    picture,
    two_gaps,
    words,
)

KINDS = {
    "nothing-yet": nothing_yet,
    "first-day": first_day,
    "all-well": all_well,
    "two-gaps": two_gaps,
    "all-lost": all_lost,
    "hostile": hostile,
}
MATTER = Matter(
    id="damage|travel|roll",
    subject="Damage on Travel: 260612 Boatyard/Originals/Wide/Roll 01",
    body="2 files are damaged.\nThe others are left as they are.",
    urgent=True,
)


@pytest.fixture(params=list(KINDS.values()), ids=list(KINDS))
def made(request: pytest.FixtureRequest) -> Overview:
    maker: Callable[[], Overview] = request.param
    return maker()


def test_both_parts_say_the_same_word_by_word(made: Overview) -> None:
    _, data = mailed(made)
    plain, page, _ = parts(parsed(data))
    assert words("".join(page_of(page).words)) == words(plain)
    assert len(words(plain)) > 30


def test_what_is_said_arrives_as_it_was_written(made: Overview) -> None:
    what, data = mailed(made)
    plain, page, pictures = parts(parsed(data))
    assert plain.replace("\r\n", "\n") == what.text
    assert len(pictures) == len(mail_html.pictures(what.blocks))
    alone = re.sub(r"data:image/png;base64,[A-Za-z0-9+/=]+", "PICTURE", what.page)
    assert re.sub(r"cid:[^\"]+", "PICTURE", page.replace("\r\n", "\n")) == alone


def test_the_mail_is_seven_bit_in_short_lines_and_the_same_each_time(made: Overview) -> None:
    _, data = mailed(made)
    assert data == mailed(made)[1]
    assert data.isascii()
    assert max(map(len, data.split(b"\r\n"))) <= 78
    assert b"\n" not in data.replace(b"\r\n", b"")
    assert b"\0" not in data
    assert len(data) < 100_000


def test_a_weak_mail_program_can_show_it_and_nothing_is_asked_for(made: Overview) -> None:
    _, data = mailed(made)
    _, page, pictures = parts(parsed(data))
    found = page_of(page)
    allowed = "html head meta title body div table tr th td h1 h2 p br wbr span code img"
    assert {tag for tag, _ in found.tags} <= set(allowed.split())
    for tag, attributes in found.tags:
        assert not any(name.startswith("on") for name in attributes)
        assert "href" not in attributes
        if tag == "img":
            source = str(attributes["src"])
            assert source.removeprefix("cid:") in pictures
            assert attributes["alt"]
            assert (attributes["width"], attributes["height"]) == ("160", "12")
        style = attributes.get("style") or ""
        assert "url(" not in style
        assert not re.search(r"(^|;)\s*(color|background[a-z-]*)\s*:", style), "the program's own"
    assert 'name="color-scheme" content="light dark"' in page


def test_headers_say_what_it_is(made: Overview) -> None:
    what, data = mailed(made)
    mail = parsed(data)
    assert mail["Subject"] == what.subject
    assert mail["Message-ID"] == ENVELOPE.message_id
    assert (mail["Auto-Submitted"], mail["Importance"]) == ("auto-generated", None)
    assert (mail["In-Reply-To"], mail["References"]) == (None, None)
    assert mail["Date"].datetime == NOW
    assert (mail["From"], mail["To"], mail["Bcc"]) == (None, None, None), "added when it is sent"
    assert len(mail.get_all("MIME-Version", [])) == 1


def test_the_next_one_and_what_silence_means_stand_before_all_details(made: Overview) -> None:
    text = mailed(made)[0].text
    flat = " ".join(text.split())
    if made.next_at is None:
        assert "No weekly report is due" in flat
        assert "silence says nothing" in flat
    else:
        assert "The next weekly report is due on Sunday 2026-06-21 09:12." in flat
        assert "don't take silence for good news" in flat
    if made.gaps.rolls:
        assert text.index("weekly report is due") < text.index("Copies\n")


def test_the_weekly_mail_says_everything() -> None:
    what, _ = mailed(two_gaps(), replaces=NOW - DAY)
    flat = " ".join(what.text.split())
    for part in (
        "- Plug Travel in (1 roll)",
        "backupkeeper upload",
        "An earlier mail about the same, of Saturday 2026-06-13 09:12, had not gone out",
        "214 rolls, 685 GB.",
        "primary 100 % 8,560 of 8,560 none",
        "secondary 99 % 8,548 of 8,560 damaged: 12",
        "cloud 99 % 8,508 of 8,560 copied, not proven: 40, no copy: 12",
        "260612 Boatyard/Wide/Roll 01",
        "secondary: damaged (12 of 40 files); cloud: no copy (12 of 40 files)",
        "Main (primary) now 2 months ago 1.13 TB, for 7 shoots",
        "Off site 31,204 files, 2.87 TB 9 months ago 14.35 EUR",
        "Off site: 400 GB to go; when that is done is not known yet.",
        "DCIM/BOAT0001.MP4 (damaged, 4.10 kB) 2026-06-13 not yet",
        "DCIM/BOAT0002.MP4 (unreadable) 2026-06-13 not yet",
        "DCIM/BOAT0003.MP4 (damaged, 4.10 kB) 2026-05-25 2026-05-26",
        "The last one, 40 days ago: 260402 Boatyard from Off site, 214 files; all of it came back right.",
        "A restore drill is due.",
        "- Another word.",
        "- Without a current snapshot of the catalog: Travel.",
        "Made on Sunday 2026-06-14 09:12 (UTC+0200) by backupkeeper 1.2.3 on edit-1.",
    ):
        assert part in flat
    assert "OLD.MP4" not in flat, "mended long ago"
    assert flat.count("not checked for 40 days") == 1


def test_a_percentage_is_rounded_down_and_never_hides_what_lacks() -> None:
    text = mailed(all_lost())[0].text
    assert re.search(r"primary +0 % +0 of 120 +out of reach: 120", text)
    assert "Drives" not in text, "none is in use"
    one = replace(two_gaps(), gaps=replace(two_gaps().gaps, rolls=two_gaps().gaps.rolls[:2]))
    assert re.search(r"secondary +85 %", mailed(one)[0].text)


# -- nothing can be forged


def test_hostile_names_forge_neither_headers_nor_markup_nor_parts() -> None:
    what, data = mailed(hostile())
    mail = parsed(data)
    assert set(mail.keys()) == {
        *("Message-ID", "Auto-Submitted", "Subject", "Date", "MIME-Version", "Content-Type"),
    }
    assert len(list(mail.walk())) == 3 + 1 + 3, "alternative, plain, related, html, three bars"
    plain, page, _ = parts(mail)
    assert all(line.isprintable() for line in plain.splitlines())
    assert "<script" not in page
    assert not any(tag in {"script", "b"} for tag, _ in page_of(page).tags)
    for bad in HOSTILE:
        assert told(bad).strip()[:20] in plain.replace("\\\\", "\\") or bad == HOSTILE[4]
    assert what.subject.isprintable()


@pytest.mark.parametrize("bad", HOSTILE)
def test_a_hostile_subject_is_one_header(bad: str) -> None:
    matter = replace(MATTER, subject=bad * 40, body=bad)
    what = urgent(matter, NOW, MAKER, next_at=None)
    mail = parsed(composed(what, replace(ENVELOPE, kind=LetterKind.URGENT)))
    assert mail["Bcc"] is None
    assert mail["Importance"] == "high"
    assert mail["Subject"] == what.subject == told(what.subject)
    assert len(what.subject) <= 200 * 10
    plain, page, _ = parts(mail)
    assert words("".join(page_of(page).words)) == words(plain)


def test_a_line_that_begins_with_from_begins_no_mail_in_a_mailbox(tmp_path: Path) -> None:
    body = "From here on nothing is proven.\n\nFrom me@example.org Sun Jun 14 09:12:00 2026"
    data = composed(urgent(replace(MATTER, body=body), NOW, MAKER, next_at=None), ENVELOPE)
    assert not re.search(rb"(?m)^From ", data)
    assert "From me@example.org" in parts(parsed(data))[0]
    file = tmp_path / "box"
    file.write_bytes(b"From x Sun Jun 14 09:12:00 2026\n" + data.replace(b"\r\n", b"\n") + b"\n")
    with closing(mailbox.mbox(str(file))) as box:
        assert len(box) == 1


texts = st.text(st.characters(exclude_categories=()), max_size=60)


@settings(max_examples=60)
@given(texts, st.lists(texts, max_size=4))
def test_any_matter_says_the_same_in_both_parts(subject: str, lines: list[str]) -> None:
    matter = Matter(id="x", subject=subject, body="\n".join(lines), urgent=True, once=True)
    data = composed(urgent(matter, NOW, MAKER, next_at=NOW + DAY), ENVELOPE)
    plain, page, _ = parts(parsed(data))
    assert words("".join(page_of(page).words)) == words(plain)
    assert all(line.isprintable() for line in plain.splitlines())
    assert data.isascii()


# -- never too large


def test_ten_thousand_rolls_with_the_longest_names_are_cut_in_both_parts_alike() -> None:
    what, data = mailed(many())
    assert len(data) <= MOST_BYTES - ADDRESS_BYTES
    plain, page, _ = parts(parsed(data))
    assert words("".join(page_of(page).words)) == words(plain)
    flat = " ".join(plain.split())
    (rolls,) = re.findall(r"and ([\d,]+) more \(backupkeeper gaps lists them\)", flat)
    rows = [one for one in what.blocks if isinstance(one, Table) and one.columns[0] == "Roll"]
    assert int(rolls.replace(",", "")) + len(rows[0].rows) == 10_000


def test_a_mail_that_would_be_too_large_has_fewer_rows_or_is_a_bug() -> None:
    whole, data = mailed(many(60))
    small, less = fitting(
        lambda most: weekly(many(60), MAKER, most=most), ENVELOPE, most_bytes=len(data) // 2
    )
    assert len(less) <= len(data) // 2 - ADDRESS_BYTES
    assert len(small.text) < len(whole.text)
    with pytest.raises(BrokenPromiseError):
        fitting(lambda most: weekly(many(60), MAKER, most=most), ENVELOPE, most_bytes=5_000)


def test_one_more_than_fits_is_told_rather_than_counted() -> None:
    draft = Draft(most=2)
    draft.items([Item(f"{number}") for number in range(3)])
    draft.items([Item(f"{number}") for number in range(4)])
    draft.items([Item(f"{number}") for number in range(4)], most=1)
    flat = " ".join(text_part(draft.blocks).split())
    assert flat == "- 0 - 1 - 2 - 0 - 1 and 2 more - 0 and 3 more"
    assert cut("abcd", 3) == "ab…"


# -- urgent ones, trials, threads


def test_an_urgent_mail_says_when_it_was_so_and_when_the_next_word_comes() -> None:
    what = urgent(MATTER, NOW, MAKER, next_at=NOW + DAY, replaces=NOW - DAY)
    flat = " ".join(what.text.split())
    assert what.subject == MATTER.subject
    assert flat.startswith(f"{MATTER.subject} === ".rstrip(" =")[:40])
    for part in (
        "2 files are damaged. The others are left as they are.",
        "This was so on Sunday 2026-06-14 09:12. It is told again once a day as long as it is so.",
        "An earlier mail about the same, of Saturday 2026-06-13 09:12",
        "The next weekly report is due on Monday 2026-06-15 09:12.",
    ):
        assert part in flat
    once = urgent(replace(MATTER, once=True), NOW, MAKER, next_at=None)
    assert "once a day" not in once.text
    _, page, pictures = parts(parsed(composed(once, ENVELOPE)))
    assert (pictures, "<img" in page) == ({}, False)


def test_a_trial_is_a_mail_like_any_other() -> None:
    data = composed(trial(NOW, MAKER, next_at=NOW + DAY), ENVELOPE)
    plain, page, _ = parts(parsed(data))
    assert words("".join(page_of(page).words)) == words(plain)
    assert "backupkeeper mail test" in plain


def test_a_thread_is_named_whole_however_long_its_identities_are() -> None:
    """The library would encode or break an identity that is longer than a line."""
    one, two = (f"<{number}{'x' * 90}@{'y' * 60}.example.org>" for number in "12")
    envelope = Envelope(
        message_id=two,
        at=NOW,
        kind=LetterKind.WEEKLY,
        answered=Answered(in_reply_to=one, references=(one, two)),
    )
    data = composed(trial(NOW, MAKER, next_at=None), envelope)
    assert f"Message-ID: {two}\r\n".encode() in data
    assert f"In-Reply-To: {one}\r\nReferences: {one}\r\n {two}\r\n".encode() in data


@pytest.mark.parametrize(
    ("sender", "domain"),
    [
        ("me@example.org", "example.org"),
        ("me@x y", "backupkeeper.invalid"),
        (f"me@{'x' * 300}", "backupkeeper.invalid"),
    ],
)
def test_an_identity_ends_with_the_senders_domain(sender: str, domain: str) -> None:
    assert message_id("an-id", sender) == f"<an-id@{domain}>"


# -- text and pictures


def test_a_table_fits_or_is_told_row_by_row() -> None:
    wide = Table(columns=("A", "B"), rows=(("x" * 50, "y z " * 20), ("one", "two")))
    lines = text_part([wide]).splitlines()
    assert lines[:4] == ["A / B", "", "x" * 50, "    " + "y z " * 16 + "y z"]
    assert lines[-2:] == ["one", "    two"]
    small = Table(columns=("A", "Bar"), rows=(("é日", Bar(parts=(), says="no files")),))
    assert text_part([small]).splitlines() == ["A    Bar", "é日  no files"]
    assert all(len(line) <= WIDTH for line in lines)


def test_a_part_whose_words_are_not_ascii_is_sent_in_base64() -> None:
    what = said("é", [Lead("日本" * 200, Tone.GOOD)])
    data = composed(what, ENVELOPE)
    assert b"Content-Transfer-Encoding: base64" in data
    assert "日本日本" in parts(parsed(data))[0]


@pytest.mark.parametrize(
    "counts", [(8560, 0, 0), (8559, 0, 1), (1, 0, 8559), (300, 200, 100), (0, 5, 0), (0, 0, 0)]
)
def test_a_bar_is_a_picture_that_others_can_read_and_shows_each_part(
    counts: tuple[int, int, int],
) -> None:
    bar = Bar(parts=tuple(zip(Part, counts, strict=True)), says="")
    data = mail_picture.png(bar)
    assert len(data) < 1500
    width, height, rows = picture(data)
    assert (width, height) == (mail_picture.WIDE, mail_picture.HIGH)
    shades = {bytes(row[x * 4 : x * 4 + 4]) for row in rows for x in range(width)}
    colours = {one[:3] for one in shades if one[3]}
    wanted = {bytes(mail_picture._COLOURS[n]) for n, count in enumerate(counts, 2) if count}
    assert colours == wanted | {bytes(mail_picture._COLOURS[1])}
    assert all(one[3] in {0, 255} for one in shades)
    if counts[0] and not counts[1] and not counts[2]:
        assert not any(one[3] == 0 for one in shades), "full"


def test_patterns_tell_parts_apart_without_colour() -> None:
    def inked(part: Part) -> list[bool]:
        _, _, rows = picture(mail_picture.png(Bar(parts=((part, 1),), says="")))
        return [row[x * 4 + 3] > 0 for row in rows[1:-1] for x in range(1, 319)]

    shares = [sum(inked(part)) / len(inked(part)) for part in Part]
    assert shares[0] == 1.0
    assert 0.55 < shares[1] < 0.7
    assert 0.4 < shares[2] < 0.5


def _luminance(colour: tuple[int, int, int]) -> float:
    """WCAG 2.2, "relative luminance"."""
    linear = [
        c / 255 / 12.92 if c / 255 <= 0.04045 else ((c / 255 + 0.055) / 1.055) ** 2.4
        for c in colour
    ]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("colour", mail_picture._COLOURS[1:])
def test_colours_stand_out_from_a_light_and_a_dark_ground(colour: tuple[int, int, int]) -> None:
    """WCAG 2.2, 1.4.11: three to one for what is no text."""
    assert 1.05 / (_luminance(colour) + 0.05) >= 3
    assert (_luminance(colour) + 0.05) / (_luminance((0x12, 0x12, 0x12)) + 0.05) >= 3
