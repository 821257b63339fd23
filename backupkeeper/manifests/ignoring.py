"""Ignore patterns of a manifest: gitignore lines (ASC MHL Appendix C; STANDARDS section 1.11).

Promises:
1. The defaults of the standard always stand first.
2. ``fitting`` never leaves a pattern that matches a recorded path, and keeps every other one, in
   order: a manifest may hold no record that matches its own patterns, and the list only grows.
3. Hostile lines cost little: a backtracking matcher needs up to (length of a name) ** (stars)
   steps, so the steps are reckoned first and a line beyond ``MOST_STEPS`` is not tried: it ignores
   nothing on reading and is not written.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from pathspec import GitIgnoreSpec
from pathspec.patterns.gitignore.base import GitIgnorePatternError

from backupkeeper.manifests.names import fits_xml, folders_above

DEFAULTS: Final = (".DS_Store", "ascmhl")
"""§5.6.1.2: nothing else is ignored by default."""
LONGEST_PATTERN: Final = 4096
MOST_STEPS: Final = 1_000_000_000
"""Reckoned from the longest name, so real ones stay far below."""
MOST_LINES: Final = 5000
"""Of all generations of a history together; twice as many in one manifest have it refused."""
MOST_WILD: Final = 1000
"""Lines with wildcards that are tried on one set of paths."""
_MAGIC: Final = re.compile(r"(?<!\\)(?:\\\\)*[*?\[]")


@dataclass(frozen=True, kw_only=True, slots=True)
class _Plain:
    """A line without wildcards: ``name`` at any depth, or a path from the scope's root."""

    text: str
    anchored: bool
    folders_only: bool


class _Recorded:
    """Every recorded path with the folders above it, ready to be asked."""

    def __init__(self, files: Iterable[str], folders: Iterable[str]) -> None:
        self.files = set(files)
        self.folders = set(folders)
        for path in (*self.files, *self.folders):
            self.folders.update(folders_above(path))
        self.folders.discard("")
        self._folder_names = {path.rpartition("/")[2] for path in self.folders}
        self._longest: tuple[int, int, int] | None = None
        self._file_names = {path.rpartition("/")[2] for path in self.files}

    def match_plain(self, line: _Plain) -> bool:
        folders, files = (
            (self.folders, self.files)
            if line.anchored
            else (
                self._folder_names,
                self._file_names,
            )
        )
        return line.text in folders or (not line.folders_only and line.text in files)

    def steps(self, pattern: str) -> int:
        """At most so many steps does it take to try a pattern on every path."""
        paths = [*self.files, *self.folders]
        if self._longest is None:
            parts = [part for path in paths for part in path.split("/")]
            self._longest = (
                max(map(len, paths), default=0) + 1,
                max(map(len, parts), default=0) + 1,
                max((path.count("/") + 1 for path in paths), default=0),
            )
        path, part, depth = self._longest
        wide = pattern.count("**")
        narrow = len(re.sub(r"\*+", "*", pattern.replace("**", "")).split("*")) - 1
        return int(len(paths) * depth * path ** min(wide, 8) * part ** min(narrow, 8))

    def match(self, spec: GitIgnoreSpec) -> bool:
        return any(map(spec.match_file, self.files)) or any(
            spec.match_file(path + "/") for path in self.folders
        )


def _plain(pattern: str) -> _Plain | None:
    """The line without wildcards that this is, or None."""
    if _MAGIC.search(pattern) or pattern.startswith("!"):
        return None
    bare = pattern.rstrip(" ")
    if len(bare) < len(pattern) and bare.endswith("\\"):
        bare += " "
    folders_only = bare.endswith("/")
    inner = bare.rstrip("/")
    text = re.sub(r"\\(.)", r"\1", inner, flags=re.DOTALL)
    return _Plain(text=text.lstrip("/"), anchored="/" in inner, folders_only=folders_only)


def _spec(patterns: Iterable[str]) -> GitIgnoreSpec | None:
    """The compiled lines, or None if one of them is no pattern."""
    try:
        return GitIgnoreSpec.from_lines(patterns)
    except (GitIgnorePatternError, ValueError, re.error, OverflowError):
        return None


@lru_cache(maxsize=4 * MOST_LINES)
def usable(pattern: str) -> bool:
    """Whether a line is a pattern at all; one that isn't ignores nothing."""
    if len(pattern) > LONGEST_PATTERN or "\n" in pattern or "\r" in pattern:
        return False
    if _plain(pattern) is not None:
        return not re.search(r"(?<!\\)(?:\\\\)*\\$", pattern)
    return _spec([pattern]) is not None


def _negates_or_says_nothing(pattern: str) -> bool:
    return pattern.startswith(("!", "#")) or not pattern.strip()


def _tried(
    patterns: Iterable[str], files: Iterable[str], folders: Iterable[str]
) -> tuple[set[str], set[str]]:
    """Patterns that, each by itself, match a path; and those that would cost too much to try."""
    recorded = _Recorded(files, folders)
    found: set[str] = set()
    untried: set[str] = set()
    steps = wild = 0
    for pattern in dict.fromkeys(patterns):
        if _negates_or_says_nothing(pattern) or not usable(pattern):
            continue
        plain = _plain(pattern)
        if plain is not None:
            if recorded.match_plain(plain):
                found.add(pattern)
            continue
        cost = recorded.steps(pattern)
        if wild >= MOST_WILD or steps + cost > MOST_STEPS:
            untried.add(pattern)
            continue
        wild += 1
        steps += cost
        spec = _spec([pattern])
        if spec is not None and recorded.match(spec):
            found.add(pattern)
    return found, untried


def matching(patterns: Iterable[str], files: Iterable[str], folders: Iterable[str]) -> set[str]:
    """Those patterns that, each by itself, match one of the paths (or a folder above one)."""
    return _tried(patterns, files, folders)[0]


def ignored_paths(patterns: Sequence[str], paths: Iterable[str]) -> set[str]:
    """Those files that the patterns, taken together and in order, leave out."""
    listed = list(paths)
    positive = matching(patterns, listed, ())
    if not positive:
        return set()
    back = {line: line[1:] for line in patterns if line.startswith("!")}
    taken_back = matching(back.values(), listed, ())
    kept = [line for line in patterns if line in positive or back.get(line) in taken_back]
    spec = _spec(kept)
    return set() if spec is None else {path for path in listed if spec.match_file(path)}


def is_default_ignored(path: str) -> bool:
    """Whether the defaults leave the path out: no record of it may stand among the hashes."""
    return not set(DEFAULTS).isdisjoint(path.split("/"))


def fitting(wanted: Iterable[str], files: Iterable[str], folders: Iterable[str]) -> tuple[str, ...]:
    """The ignore list of a new generation: the defaults, then what is wanted and matches nothing.

    Lines that XML can't carry, that can't be tried or that hold a line break are dropped too.
    """
    lines = [
        line
        for line in dict.fromkeys((*DEFAULTS, *wanted))
        if line.strip() and fits_xml(line) and usable(line)
    ]
    found, untried = _tried(lines, files, folders)
    wrong = found | untried
    return tuple(line for line in lines if line in DEFAULTS or line not in wrong)
