"""Lines of a report: text with a tone, laid out for a width, in shapes the output can show.

Promises:
1. A tone is only ever an addition: each line says the same without its colour.
2. Paths and commands stand on lines of their own that are never broken, so they can be copied.
3. ``Look.unicode`` false: every shape is ASCII.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, tzinfo
from enum import StrEnum
from typing import TypeVar

from backupkeeper.report.words import cells, plural, shown, told

_T = TypeVar("_T")


class Tone(StrEnum):
    """What kind of line it is: the output may colour it."""

    PLAIN = "plain"
    HEAD = "head"
    GOOD = "good"
    BAD = "bad"
    WARN = "warn"
    QUIET = "quiet"


@dataclass(frozen=True, slots=True)
class Line:
    """One line of text, without its line end."""

    text: str
    tone: Tone = Tone.PLAIN


@dataclass(frozen=True, kw_only=True, slots=True)
class Look:
    """How wide the output is, what it can show, and where the person is.

    ``most_paths`` is how many paths of one group are listed; 0 lists all.
    """

    width: int = 80
    unicode: bool = True
    zone: tzinfo = field(default=UTC)
    most_paths: int = 10
    hint: str = "--all lists them"
    """What lists the rest."""

    @property
    def full(self) -> str:
        """Stands before what is proven in full."""
        return "■" if self.unicode else "[#]"

    @property
    def open(self) -> str:
        """Stands before what is not."""
        return "□" if self.unicode else "[ ]"

    @property
    def dash(self) -> str:
        """Stands before an entry of a list."""
        return "–" if self.unicode else "-"  # noqa: RUF001 - a dash is meant


@dataclass(slots=True)
class Page:
    """Lines as they are gathered."""

    look: Look
    lines: list[Line] = field(default_factory=list)

    def line(self, text: str = "", tone: Tone = Tone.PLAIN) -> None:
        """One line as it stands: never broken."""
        self.lines.append(Line(text, tone))

    def gap(self) -> None:
        """An empty line, unless there is one already or nothing stands above."""
        if self.lines and self.lines[-1].text:
            self.line()

    def head(self, text: str) -> None:
        """A heading, set off from what is above."""
        self.gap()
        self.say(text, tone=Tone.HEAD)

    def say(self, text: str, *, indent: int = 0, first: str = "", tone: Tone = Tone.PLAIN) -> None:
        """A sentence, broken at spaces; ``first`` stands before its first line only."""
        for line in wrap(text, self.look.width, indent=indent, first=first):
            self.line(line, tone)

    def few(self, entries: Sequence[_T], *, indent: int) -> Iterator[_T]:
        """The first few of many entries; says how many more there are once they were told."""
        most = self.look.most_paths or len(entries)
        few = entries[:most] if len(entries) > most + 1 else entries
        yield from few
        if len(few) < len(entries):
            rest = len(entries) - len(few)
            self.line(f"{' ' * indent}and {plural(rest, 'more', 'more')} ({self.look.hint})")

    def paths(self, paths: Sequence[str], *, indent: int) -> None:
        """Paths, one a line, the first few of many."""
        for path in self.few(paths, indent=indent):
            self.line(f"{' ' * indent}{shown(path)}")

    def grouped(self, pairs: Iterable[tuple[str, str]], *, indent: int) -> None:
        """(path, why) pairs as: why, then its paths."""
        groups: dict[str, list[str]] = {}
        for path, why in pairs:
            groups.setdefault(why, []).append(path)
        for why, paths in self.few(list(groups.items()), indent=indent):
            self.say(f"{told(why)}:", indent=indent, first=f"{self.look.dash} ")
            self.paths(paths, indent=indent + 4)


def wrap(text: str, width: int, *, indent: int = 0, first: str = "") -> list[str]:
    """Break a text at spaces into lines of at most ``width`` columns; a longer word stays whole."""
    lead = " " * indent
    hang = " " * (indent + cells(first))
    lines: list[str] = []
    now = lead + first
    empty = True
    for word in text.split(" "):
        if not empty and cells(now) + 1 + cells(word) > width:
            lines.append(now.rstrip())
            now, empty = hang, True
        now = now + word if empty else f"{now} {word}"
        empty = False
    return [*lines, now.rstrip()]


_LETTERS = {
    "Y": ("##  ##", "##  ##", " #### ", "  ##  ", "  ##  "),
    "E": ("######", "##    ", "####  ", "##    ", "######"),
    "S": ("######", "##    ", "######", "    ##", "######"),
    "N": ("##   ##", "###  ##", "## # ##", "##  ###", "##   ##"),
    "O": ("######", "##  ##", "##  ##", "##  ##", "######"),
}
"""Our own, five rows each."""


def large(word: str, look: Look, *, barred: bool) -> list[str]:
    """A word in large letters; ``barred`` closes it in, so that shape alone tells it apart."""
    rows = ["  ".join(_LETTERS[letter][row] for letter in word) for row in range(5)]
    if look.unicode:
        rows = [row.replace("#", "█") for row in rows]
    if not barred:
        return [f"  {row}".rstrip() for row in rows]
    bar, side = ("═", "║") if look.unicode else ("=", "|")
    corners = "╔╗╚╝" if look.unicode else "++++"
    wide = len(rows[0]) + 4
    return [
        f"  {corners[0]}{bar * wide}{corners[1]}",
        *(f"  {side}  {row}  {side}" for row in rows),
        f"  {corners[2]}{bar * wide}{corners[3]}",
    ]
