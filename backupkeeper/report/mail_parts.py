"""What a mail says, once: a list of blocks, from which both its parts are made, so that they say the same.

Every text in a block may hold names from outside: whoever renders makes it fit (``words.told``).
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final, TypeVar

from backupkeeper.report.words import plural, shown

_T = TypeVar("_T")
LONGEST_NAME: Final = 120
LONGEST_TEXT: Final = 2000


class Tone(StrEnum):
    """How a block stands out; its words say the same without."""

    PLAIN = "plain"
    GOOD = "good"
    WARN = "warn"
    BAD = "bad"
    QUIET = "quiet"


class Part(StrEnum):
    """Parts of a bar, from its left."""

    PROVEN = "proven"
    DUE = "due"
    LACKING = "lacking"


@dataclass(frozen=True, kw_only=True, slots=True)
class Bar:
    """A bar as a small picture. ``says`` says what it shows, for who does not see it."""

    parts: tuple[tuple[Part, int], ...]
    says: str


@dataclass(frozen=True, slots=True)
class Lead:
    """The answer, first of all."""

    text: str
    tone: Tone


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading."""

    text: str


@dataclass(frozen=True, slots=True)
class Paragraph:
    """Some sentences."""

    text: str
    tone: Tone = Tone.PLAIN


@dataclass(frozen=True, slots=True)
class Item:
    """One of a list: what to do, and what to type for it (empty: nothing)."""

    text: str
    command: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Table:
    """Columns by their headings; a cell is a text or a bar."""

    columns: tuple[str, ...]
    rows: tuple[tuple["str | Bar", ...], ...]


Block = Lead | Heading | Paragraph | Item | Table


@dataclass(slots=True)
class Draft:
    """Blocks as they are gathered. ``most``: how many rows of a table, or items of a list, are told."""

    most: int
    blocks: list[Block] = field(default_factory=list)

    def say(self, text: str, tone: Tone = Tone.PLAIN) -> None:
        """A paragraph, unless it is empty."""
        if text:
            self.blocks.append(Paragraph(cut(text, LONGEST_TEXT), tone))

    def head(self, text: str) -> None:
        """A heading."""
        self.blocks.append(Heading(text))

    def items(self, items: Sequence[Item], *, most: int | None = None) -> None:
        """A list, cut where it is long; ``most``: fewer of them than of others."""
        few = _few(items, self.most if most is None else min(most, self.most))
        self.blocks += [
            Item(cut(one.text, LONGEST_TEXT), cut(one.command, LONGEST_TEXT)) for one in few
        ]
        self._more(len(items) - len(few))

    def table(
        self,
        columns: Iterable[str],
        entries: Sequence[_T],
        row: Callable[[_T], tuple[str | Bar, ...]],
        *,
        hint: str = "",
    ) -> None:
        """A table, cut where it is long; none at all without entries.

        Args:
            columns: their headings.
            entries: what it is about.
            row: makes the cells of one.
            hint: what lists the rest.
        """
        few = _few(entries, self.most)
        if few:
            self.blocks.append(Table(columns=tuple(columns), rows=tuple(map(row, few))))
        self._more(len(entries) - len(few), hint)

    def _more(self, number: int, hint: str = "") -> None:
        if number:
            listed = f" ({hint} lists them)" if hint else ""
            self.say(f"and {plural(number, 'more', 'more')}{listed}", Tone.QUIET)


def _few(entries: Sequence[_T], most: int) -> Sequence[_T]:
    return entries[:most] if len(entries) > most + 1 else entries


def cut(text: str, most: int) -> str:
    """A text of no more than so many characters; what was left out is told by an ellipsis."""
    return text if len(text) <= most else f"{text[: most - 1]}…"


def called(name: str) -> str:
    """A name from outside, as ``words.shown`` tells it, cut where it is endless."""
    return cut(shown(name), LONGEST_NAME)
