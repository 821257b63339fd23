"""Which camera or recorder a medium comes from, by configured rules.

Promises:
1. Pure, and a rule that asks for nothing answers to nothing: not every medium is a card.
2. Every criterion that a rule names must hold: its label, each of its folders, and one of its file
   patterns. Case and the composition of accents never matter, for FAT's names have no case.
3. In a pattern ``*`` stands for any characters of one name and ``?`` for one; everything else means
   itself. No pattern and no name, however hostile, takes long: both are bounded in length.
4. Two sources that answer are told by name, never chosen between.

Stills cameras and many others keep their files below ``DCIM`` (DCF 2.0, STANDARDS section 8.1);
video cameras mostly have trees of their own, so the rules come from the person.
"""

import fnmatch
import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

LONGEST_PATTERN: Final = 255
"""Characters of one name in a pattern, and of a name that can answer to it; more match nothing."""


@dataclass(frozen=True, kw_only=True, slots=True)
class SourceRule:
    """What the cards of one source look like; every criterion that is given must hold.

    ``label`` is a pattern of the volume's label (None: any); ``folders`` must all be there;
    ``files`` are patterns of which at least one file must answer to one. ``shoot`` is the name that
    its shoots get, after the date (``Boatyard``).
    """

    name: str
    label: str | None = None
    folders: tuple[str, ...] = ()
    files: tuple[str, ...] = ()
    auto_offload: bool = False
    shoot: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Sight:
    """What a bounded look at a medium saw.

    ``folders`` are the paths of the folders in its first two levels, ``files`` the paths of some of
    its files (both relative to its root). ``label`` and ``size_bytes`` are None where not known.
    """

    label: str | None = None
    fs_type: str = ""
    folders: tuple[str, ...] = ()
    files: tuple[str, ...] = ()
    size_bytes: int | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Recognised:
    """The one rule that a medium answers to, or the names of several, or neither."""

    rule: SourceRule | None = None
    several: tuple[str, ...] = ()

    @property
    def trouble(self) -> str:
        """A sentence where there is not one rule; else empty."""
        if self.rule is not None:
            return ""
        if not self.several:
            return "It answers to none of the sources."
        first, last = ", ".join(self.several[:-1]), self.several[-1]
        return f"It answers to {first} and {last}, so its source is not known."


def recognise(rules: Iterable[SourceRule], sight: Sight) -> Recognised:
    """The source of a medium.

    Several rules of one name are several looks of one source: the first that answers counts.
    """
    found: dict[str, SourceRule] = {}
    for rule in rules:
        if rule.name not in found and answers(rule, sight):
            found[rule.name] = rule
    if len(found) == 1:
        return Recognised(rule=next(iter(found.values())))
    return Recognised(several=tuple(found))


def answers(rule: SourceRule, sight: Sight) -> bool:
    """Whether all that a rule names is so.

    A file pattern without a slash is compared with names wherever they lie, one with slashes with
    the whole path, folder by folder. A folder pattern is always compared with the whole path.
    """
    if rule.label is None and not rule.folders and not rule.files:
        return False
    if rule.label is not None and (
        sight.label is None or not name_matches(rule.label, sight.label)
    ):
        return False
    folders = [folder.split("/") for folder in sight.folders]
    for pattern in rule.folders:
        wanted = pattern.strip("/").split("/")
        if not any(_path_matches(wanted, parts) for parts in folders):
            return False
    return not rule.files or any(_is_named(pattern, sight.files) for pattern in rule.files)


def _is_named(pattern: str, files: Iterable[str]) -> bool:
    if "/" not in pattern:
        return any(name_matches(pattern, path.rpartition("/")[2]) for path in files)
    wanted = pattern.strip("/").split("/")
    return any(_path_matches(wanted, path.split("/")) for path in files)


def _path_matches(wanted: Sequence[str], parts: Sequence[str]) -> bool:
    return len(wanted) == len(parts) and all(map(name_matches, wanted, parts))


def name_matches(pattern: str, name: str) -> bool:
    """Whether a name is like a pattern with ``*`` and ``?``, in whatever case."""
    if len(pattern) > LONGEST_PATTERN or len(name) > LONGEST_PATTERN:
        return False
    return _compiled(pattern).match(_folded(name)) is not None


@lru_cache(maxsize=1024)
def _compiled(pattern: str) -> re.Pattern[str]:
    # fnmatch makes atomic groups of stars: no backtracking over several of them. Brackets, which
    # are plain in names, would mean sets of characters there.
    return re.compile(fnmatch.translate(_folded(pattern).replace("[", "[[]")))


def _folded(text: str) -> str:
    # Case first and last: folding one character may give a form that composes, and the reverse.
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", text).casefold())
