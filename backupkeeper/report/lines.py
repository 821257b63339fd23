"""What reports are made of: lines with a tone, laid out for a given width.

Promises:
1. A ``Line`` holds no line break and no control character: whatever is said goes through ``words``.
2. Sentences are broken between words only; a path is never broken, so that it can be copied.
3. The tone is decoration: every report says the same without it.
"""

import textwrap
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from enum import Enum, auto

from backupkeeper.core.outcomes import Trouble
from backupkeeper.report import words

PATHS_SHOWN = 20
"""Paths of one group that are listed; the JSON has all of them."""
NARROWEST = 24


class Tone(Enum):
    """What a line is about; the command line may colour it."""

    PLAIN = auto()
    GOOD = auto()
    BAD = auto()
    HEAD = auto()


@dataclass(frozen=True, kw_only=True, slots=True)
class Look:
    """What the reader's screen can do.

    ``width`` in columns; ``ascii_only`` where the output can't hold more; ``large`` where a
    person looks at it (a terminal); ``zone`` is where that person is.
    """

    zone: tzinfo
    width: int = 80
    ascii_only: bool = False
    large: bool = False


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a report."""

    text: str
    tone: Tone = Tone.PLAIN


@dataclass(kw_only=True, slots=True)
class Page:
    """Gathers the lines of one report."""

    look: Look
    lines: list[Line] = field(default_factory=list)

    def gap(self) -> None:
        """An empty line, never two."""
        if self.lines and self.lines[-1].text:
            self.lines.append(Line(""))

    def head(self, text: str) -> None:
        """The heading of a part."""
        self.gap()
        self.say(text, tone=Tone.HEAD)

    def say(self, text: str, *, tone: Tone = Tone.PLAIN, indent: int = 0, hang: int = 0) -> None:
        """A sentence, broken to the width. ``hang`` indents its further lines more."""
        shown = words.escape_sentence(text, ascii_only=self.look.ascii_only)
        for row in textwrap.wrap(
            shown,
            width=max(self.look.width, NARROWEST),
            initial_indent=" " * indent,
            subsequent_indent=" " * (indent + hang),
            break_long_words=False,
            break_on_hyphens=False,
        ):
            self.lines.append(Line(row, tone))

    def draw(self, text: str, *, tone: Tone = Tone.PLAIN) -> None:
        """A line that is laid out already and holds nothing from outside."""
        self.lines.append(Line(text, tone))

    def path(self, path: str, *, indent: int = 4, after: str = "") -> None:
        """A path in one piece, and what is to be said about it below."""
        shown = words.escape(path, ascii_only=self.look.ascii_only)
        self.lines.append(Line(" " * indent + shown))
        if after:
            self.say(after, indent=indent + 2)

    def paths(self, paths: Iterable[str], *, indent: int = 4) -> None:
        """Paths, the first ones if there are many."""
        every = list(paths)
        for path in every[:PATHS_SHOWN]:
            self.path(path, indent=indent)
        self.more(len(every) - PATHS_SHOWN, indent=indent)

    def more(self, count: int, *, indent: int = 4) -> None:
        """That there are more than were listed."""
        if count > 0:
            self.say(f"and {count:,} more (all of them with --json)", indent=indent)

    def noted(self, title: str, pairs: Iterable[tuple[str, str]]) -> None:
        """A part with paths and what is to be said of each; nothing where there are none."""
        every = list(pairs)
        if not every:
            return
        self.head(title)
        for path, why in every[:PATHS_SHOWN]:
            self.path(path, indent=2, after=why)
        self.more(len(every) - PATHS_SHOWN, indent=2)

    def sentences(self, title: str, told: Iterable[str]) -> None:
        """A part of sentences; nothing where there are none."""
        every = list(told)
        if not every:
            return
        self.head(title)
        for sentence in every[:PATHS_SHOWN]:
            self.say(f"- {sentence}", indent=2, hang=2)
        self.more(len(every) - PATHS_SHOWN, indent=2)

    def troubles(self, title: str, troubles: Iterable[Trouble]) -> None:
        """A part of troubles, each with its place."""
        every = list(troubles)
        if not every:
            return
        self.head(title)
        for trouble in every[:PATHS_SHOWN]:
            self.say(f"- {trouble.place}: {trouble.message}", indent=2, hang=2)
            if trouble.path:
                self.path(trouble.path, indent=6)
        self.more(len(every) - PATHS_SHOWN, indent=2)

    def not_cold(self, places: Mapping[str, str]) -> None:
        """Why copies were not proven, and what would make them count."""
        if not places:
            return
        self.head("Not proven")
        for place, why in places.items():
            self.say(
                f"- {place}: what was read may have come from the computer's memory instead of "
                f"the drive, so it does not count. {why}".rstrip(),
                indent=2,
                hang=2,
            )
            self.say(
                f"To make it count: unplug {place}, plug it in again, then run:", indent=4, hang=2
            )
            self.say(f'backupkeeper verify "{place}"', indent=6)


def iso(at: datetime | None) -> str | None:
    """A time for JSON: ISO 8601, UTC as it stands in the catalog."""
    return at.isoformat() if at is not None else None


def trouble_objects(troubles: Iterable[Trouble]) -> list[dict[str, str]]:
    """Troubles for JSON."""
    return [{"place": one.place, "path": one.path, "message": one.message} for one in troubles]


def pair_objects(pairs: Iterable[tuple[str, str]], second: str = "why") -> list[dict[str, str]]:
    """Paths with a word about each, for JSON."""
    return [{"path": path, second: other} for path, other in pairs]
