"""Words to be typed: one word each for a shell, and the very one; fit to be shown."""

import pytest

from backupkeeper.core.typed import is_hidden, typed


@pytest.mark.parametrize(
    ("word", "shown"),
    [
        ("/media/me/WIDE", "/media/me/WIDE"),
        ("Größe", "Größe"),
        ("", "''"),
        ("Off site", "'Off site'"),
        ("Anna's", "'Anna'\\''s'"),
        ("$(reboot)", "'$(reboot)'"),
        ("a; b", "'a; b'"),
        ("back\\slash", "'back\\slash'"),
        ("new\nline", "$'new\\x0aline'"),
        ("\x1b[2J it's \\", "$'\\x1b[2J it\\'s \\\\'"),
        ("\u202egpj", "$'\\xe2\\x80\\xaegpj'"),
        ("\u3164", "$'\\xe3\\x85\\xa4'"),
        ("\udcff", "$'\\xff'"),
        ("two  blanks ", "$'two \\x20blanks\\x20'"),
        ("\ud800", "$'\\xed\\xa0\\x80'"),
    ],
)
def test_a_word_is_quoted_as_written_here(word: str, shown: str) -> None:
    assert typed(word) == shown
    assert not any(map(is_hidden, typed(word)))
