"""Words: what a person reads can't steer their terminal, and numbers are those of the trade."""

import subprocess
import unicodedata
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given, settings, strategies as st

from backupkeeper.core.typed import typed
from backupkeeper.report.words import (
    age,
    cells,
    duration,
    moment,
    plural,
    rate,
    shown,
    size,
    told,
)

NOW = datetime(2026, 6, 14, 7, 12, tzinfo=UTC)
OBEYED_OR_HIDDEN = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
"""And of the blanks (Zs) only the plain one."""
any_path = st.one_of(
    st.text(st.characters(exclude_categories=[])),  # lone surrogates too
    st.binary().map(lambda raw: raw.decode("utf-8", "surrogateescape")),
)


@given(any_path)
def test_nothing_that_is_shown_can_steer_a_terminal(path: str) -> None:
    for text in (shown(path), told(path)):
        assert not {one for one in text if unicodedata.category(one) in OBEYED_OR_HIDDEN}
        assert text.isprintable()
        assert text.encode("utf-8").decode("utf-8") == text


@given(any_path, any_path)
def test_two_different_paths_never_look_the_same(one: str, other: str) -> None:
    assert (shown(one) == shown(other)) == (one == other)


@pytest.mark.parametrize(
    ("path", "looks"),
    [
        ("DCIM/100BOATY/BOAT0001.MP4", "DCIM/100BOATY/BOAT0001.MP4"),
        ("Kahn am Steg/Bug größer.wav", "Kahn am Steg/Bug größer.wav"),
        ("\x1b[2J\x07", r"\x1b[2J\x07"),
        ("two\nlines\r\tand", r"two\nlines\r\tand"),
        ("\udcff\udc80", r"\xff\x80"),
        ("\u202egnp.\u2066x\u2069", r"\u202egnp.\u2066x\u2069"),
        ("no\u200bgap\ufeff", r"no\u200bgap\ufeff"),
        ("a\u2028b\x85c\x9b", r"a\u2028b\u0085c\u009b"),
        ("\u3164", r"\u3164"),
        ("\U000e0041", r"\U000e0041"),
        (r"C:\n", r"C:\\n"),
        (" a  b   c ", r"\x20a \x20b \x20\x20c\x20"),
        ("a\u00a0b\u3000c", r"a\u00a0b\u3000c"),
        ("舟/クリップ.mov", "舟/クリップ.mov"),
    ],
)
def test_names_are_escaped_as_written_here(path: str, looks: str) -> None:
    assert shown(path) == looks


def test_a_sentence_keeps_its_single_backslash() -> None:
    assert told(r"as \x1b") == r"as \x1b"


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (0, "0 bytes"),
        (1, "1 byte"),
        (999, "999 bytes"),
        (1000, "1.00 kB"),
        (9_994, "9.99 kB"),
        (9_996, "10.0 kB"),
        (99_960, "100 kB"),
        (999_499, "999 kB"),
        (999_501, "1.00 MB"),
        (3_200_000_000, "3.20 GB"),
        (64_000_000_000, "64.0 GB"),
        (4_000_000_000_000, "4.00 TB"),
        (200 * 10**12, "200 TB"),
        (5 * 10**18, "5.00 EB"),
        (5 * 10**21, "5,000 EB"),
    ],
)
def test_sizes_are_decimal_as_cards_and_drives_are_sold(number: int, words: str) -> None:
    assert size(number) == words


def test_a_rate_is_a_size_a_second() -> None:
    assert rate(160e6) == "160 MB/s"


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (-1, "0 s"),
        (0.4, "0 s"),
        (40, "40 s"),
        (59.7, "1 min 00 s"),
        (200, "3 min 20 s"),
        (80_000, "22 h 13 min"),  # 1 TB at 100 Mbit/s, SEEN.md section 4
        (360_000, "4 days 4 h"),  # 900 GB at 20 Mbit/s, SEEN.md section 4: 100 h
        (86_400, "1 day"),
    ],
)
def test_durations_read_at_a_glance(seconds: float, words: str) -> None:
    assert duration(seconds) == words


@pytest.mark.parametrize(
    ("ago", "words"),
    [
        (timedelta(seconds=5), "just now"),
        (timedelta(seconds=-30), "just now"),
        (timedelta(minutes=1), "1 minute ago"),
        (timedelta(minutes=59), "59 minutes ago"),
        (timedelta(hours=23), "23 hours ago"),
        (timedelta(days=3), "3 days ago"),
        (timedelta(days=95), "3 months ago"),
        (timedelta(days=1000), "2 years ago"),
        (timedelta(hours=-2), "dated in the future: check the clock"),
    ],
)
def test_ages_are_told_and_so_is_a_clock_that_is_wrong(ago: timedelta, words: str) -> None:
    assert age(NOW - ago, NOW) == words


@given(st.timedeltas(min_value=timedelta(minutes=1), max_value=timedelta(days=36_500)))
def test_no_age_is_zero_of_something(ago: timedelta) -> None:
    assert not age(NOW - ago, NOW).startswith("0")


def test_times_are_local() -> None:
    assert moment(NOW, timezone(timedelta(hours=2))) == "2026-06-14 09:12"


def test_plurals_follow_the_number() -> None:
    assert [plural(n, "entry", "entries") for n in (0, 1, 12_345)] == [
        "0 entries",
        "1 entry",
        "12,345 entries",
    ]


def test_wide_and_combining_characters_take_their_columns() -> None:
    assert [cells(text) for text in ("boat", "größer", "舟", "e\u0301")] == [4, 6, 2, 1]


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(st.lists(st.binary(min_size=1, max_size=12).filter(lambda raw: 0 not in raw), max_size=20))
def test_a_shell_turns_a_quoted_word_back_into_its_very_bytes(raws: list[bytes]) -> None:
    """Held against bash, which every Linux system of an edit machine has."""
    words = [raw.decode("utf-8", "surrogateescape") for raw in raws]
    line = "printf '%s\\0' " + " ".join(map(typed, words))
    assert line.isprintable()
    done = subprocess.run(
        ["bash", "-c", line], capture_output=True, check=True, env={"LC_ALL": "C.UTF-8"}
    )
    assert done.stdout == b"".join(raw + b"\0" for raw in raws) or not raws
