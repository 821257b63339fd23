"""Two drives held against each other, in words."""

from dataclasses import replace

import pytest

from backupkeeper.core.comparing import Compared, Seen, Side, compare
from backupkeeper.core.model import Blake3
from backupkeeper.report.comparing import compared_json, compared_lines
from backupkeeper.report.lines import Look

SIDES = (Side(name="Main", root="/m"), Side(name="Tra\x1bvel", root="/t"))


def seen(path: str, content: str | None, size: int = 5) -> Seen:
    return Seen(path=path, size=size, content=None if content is None else Blake3(content))


ONE = [seen("a", "a"), seen("b", "b"), seen("c", "c"), seen("d", None), seen("m", "m")]
TWO = [seen("a", "a"), seen("b", "x"), seen("c", "c", 9), seen("d", None), seen("n", "m")]
FOUND = replace(
    compare(SIDES, ONE, [*TWO, seen("z", None)]),
    left_out=(1, 1),
    unread=((("link", "symbolic link"),), (("e", "EIO"), ("f", "EIO"))),
    not_cold="it is a network mount.",
)


def told(found: Compared, look: Look | None = None) -> str:
    return "\n".join(line.text for line in compared_lines(found, look or Look()))


def test_everything_is_told_once() -> None:
    said = told(FOUND)
    for words in (
        "□ They differ.\n    Main\n    Tra\\x1bvel\n",
        "1 file (5 bytes) is the same under the same name, by what was proven before",
        "Other content under the same name: 2 files\n  b\n  c\n    5 bytes, and 9 bytes\n",
        "Same content under another name: 1 file\n  m\n    n\n",
        "Only on Tra\\x1bvel\n  1 file (5 bytes)\n",
        "Same name and size, content not known: 1 file\n  d\n  --read reads them.",
        "Not compared on Main\n  – symbolic link:\n      link\n",  # noqa: RUF001 - a dash is meant
        "EIO:\n      e\n      f\n",
        "(2 entries).",
        "Some of it may have come from this computer's memory: it is a network mount.",
    ):
        assert words in said, said
    assert "Only on Main" not in said


def test_after_reading_nothing_is_said_to_be_known_from_before() -> None:
    said = told(replace(FOUND, is_read=True))
    assert "every byte of both read now" in said
    assert "--read reads them" not in said


@pytest.mark.parametrize(
    ("found", "words"),
    [
        (compare(SIDES, ONE[:1], TWO[:1]), "■ No difference."),
        (compare(SIDES, ONE[3:4], TWO[3:4]), "□ Not all of it is known."),
        (compare(SIDES, ONE[:1], []), "□ They differ."),
    ],
)
def test_the_answer_stands_first(found: Compared, words: str) -> None:
    assert told(found).startswith(words)
    assert compared_json(found)["same"] == found.is_same


def test_it_can_be_shown_without_our_shapes() -> None:
    assert told(FOUND, Look(unicode=False, width=40)).isascii()
