"""What is asked of ``adopt``, what a folder that was there before is called, and what was found.

Promises:
1. Pure. A folder gets a shoot, a source and a roll only where its path, or the person, says all
   three without a doubt; else a sentence says what is not known. Nothing is guessed.
2. Dates are read year first only: ``260612``, ``20260612``, ``2026-06-12`` (common practice, no source).
"""

import re
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

from backupkeeper.core.errors import UsageError
from backupkeeper.core.naming import TEMPLATE_FIELDS, validate_part, validate_shoot
from backupkeeper.core.outcomes import AdoptOutcome, Trouble

_DATED: Final = re.compile(
    r"(?:20)?([0-9]{2})([-_.]?)([0-9]{2})\2([0-9]{2})[ _-]+(\S.*)", re.DOTALL
)
_PART: Final = re.compile(r"([^{}]*)\{([a-z]+)\}([^{}]*)")
BY_DATES: Final = "a dated folder, with a source's and a roll's below it"
ANY: Final = "*"
"""In a layout: a folder of any name."""
FOR_ORIGINALS: Final = frozenset(
    ["originals", "original", "footage", "rushes", "camera originals", "cards", "media"]
)
"""Folders between a shoot and its sources that say only that originals lie in them. Common practice,
no source."""
FOR_EDITS: Final = frozenset(
    [
        *("edit", "edits", "editing", "project", "projects", "render", "renders", "render files"),
        *("export", "exports", "output", "deliverables", "cache", "proxy", "proxies", "transcodes"),
    ]
)
"""Folders of work made from originals. Common practice, no source."""


@dataclass(frozen=True, kw_only=True, slots=True)
class AdoptWish:
    """What the person asks for.

    ``path`` is a folder below the place's root ("": all of it). ``layout`` is their own pattern of
    folders below it; ``shoot``, ``source`` and ``roll`` name what no folder says. ``rate`` is how many
    bytes a second the drive gives, where they know.
    """

    place: str
    path: str = ""
    layout: str | None = None
    shoot: str | None = None
    source: str | None = None
    roll: str | None = None
    rate: float | None = None
    dry_run: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Named:
    """What a folder is called as a roll, and why."""

    shoot: str
    source: str
    roll: str
    why: str


def dated(name: str) -> str | None:
    """The shoot that a folder's name says, as ``YYMMDD Name``; None where it says none."""
    match = _DATED.fullmatch(name)
    if match is None:
        return None
    try:
        return validate_shoot(f"{match[1]}{match[3]}{match[4]} {match[5]}")
    except UsageError:
        return None


def validate_wish(wish: AdoptWish) -> AdoptWish:
    """The wish, its layout and names checked.

    Raises:
        UsageError: a name or the layout can't be used, or a field is named twice or not at all.
    """
    given = {"shoot": wish.shoot, "source": wish.source, "roll": wish.roll}
    for field_name, value in given.items():
        if value is not None:
            _checked(field_name, value)
    named = [name for name, value in given.items() if value is not None]
    if wish.layout is None:
        if named and len(named) < len(TEMPLATE_FIELDS):
            raise UsageError(
                "Without --layout, --shoot, --source and --roll belong together: they name one folder.",
                advice='For many folders: --layout "{shoot}/{roll}" --source Wide',
            )
        return wish
    found = [field_name for _, field_name, _ in _layout(wish.layout) if field_name]
    if sorted([*found, *named]) != sorted(TEMPLATE_FIELDS):
        raise UsageError(
            f"The layout {wish.layout!a} and the names given must say shoot, source and roll, each once.",
            advice='For example: --layout "{shoot}/{source}/{roll}", or --layout "*/{shoot}/{roll}" '
            "--source Wide; * stands for a folder of any name.",
        )
    return wish


def _checked(field_name: str, value: str) -> str:
    return validate_shoot(value) if field_name == "shoot" else validate_part(value, field_name)


def _layout(layout: str) -> list[tuple[str, str, str]]:
    """Each folder of a layout: what stands before its field, the field ("": none), what after it."""
    parts = []
    for part in layout.split("/"):
        match = _PART.fullmatch(part)
        if match is not None and match[2] in TEMPLATE_FIELDS:
            parts.append((match[1], match[2], match[3]))
        elif part and not {"{", "}"} & set(part):
            parts.append((part, "", ""))
        else:
            raise UsageError(
                f"The layout {layout!a} can't be used: {part!a} is no folder of it.",
                advice="A folder is a name, *, or one of {shoot}, {source} and {roll}.",
            )
    return parts


def named_by_wish(wish: AdoptWish, folder: str) -> Named | None:
    """What the person's own words make of a folder.

    Args:
        wish: checked.
        folder: relative to ``wish.path`` ("": that folder itself).
    """
    given = {"shoot": wish.shoot, "source": wish.source, "roll": wish.roll}
    found = {name: value for name, value in given.items() if value is not None}
    if wish.layout is None:
        whole = folder == "" and len(found) == len(TEMPLATE_FIELDS)
        return Named(**found, why="named by you") if whole else None
    layout, parts = _layout(wish.layout), folder.split("/")
    if len(parts) != len(layout):
        return None
    for part, (before, field_name, after) in zip(parts, layout, strict=True):
        if not field_name:
            if before not in {ANY, part}:
                return None
            continue
        value = part.removeprefix(before).removesuffix(after)
        if part != f"{before}{value}{after}":
            return None
        taken = dated(value) if field_name == "shoot" else _part_or_none(value)
        if taken is None:
            return None
        found[field_name] = taken
    return Named(**found, why="by your --layout")


def _part_or_none(value: str) -> str | None:
    try:
        return validate_part(value)
    except UsageError:
        return None


def below_shoot(folder: str) -> tuple[str, tuple[str, ...]] | None:
    """The one shoot that a path names, and the folders below it that say something; else None."""
    parts = folder.split("/")
    shoots = [(number, shoot) for number, part in enumerate(parts) if (shoot := dated(part))]
    if len(shoots) != 1:
        return None
    number, shoot = shoots[0]
    return shoot, tuple(p for p in parts[number + 1 :] if p.casefold() not in FOR_ORIGINALS)


def named_by_dates(folder: str) -> Named | None:
    """What a path says by a dated folder with a source's and a roll's folder below it."""
    found = below_shoot(folder)
    if found is None or len(found[1]) != len(TEMPLATE_FIELDS) - 1:
        return None
    source, roll = map(_part_or_none, found[1])
    if source is None or roll is None:
        return None
    return Named(shoot=found[0], source=source, roll=roll, why=BY_DATES)


def why_not_named(folder: str) -> str:
    """What a path does not say, of a folder with originals for which nothing else spoke."""
    found = below_shoot(folder)
    if found is None:
        many = sum(dated(part) is not None for part in folder.split("/"))
        return "several folders above it are dated" if many else "no folder above it is dated"
    if not found[1]:
        return "neither source nor roll stands in its path"
    if len(found[1]) == 1:
        return f"{found[1][0]} may be a source or a roll"
    return "which of the folders below the shoot is the source, and which the roll, is not clear"


def suggested(folder: str) -> tuple[str, ...]:
    """Options with which a folder that could not be placed, and others like it, would be.

    Words in capitals are for the person to replace.
    """
    parts = folder.split("/")
    shoots = [number for number, part in enumerate(parts) if dated(part)]
    layout, open_fields = [ANY] * len(parts), ["source", "roll"]
    start = 0
    if len(shoots) == 1:
        layout[shoots[0]] = "{shoot}"
        start = shoots[0] + 1
    rest = [n for n in range(start, len(parts)) if parts[n].casefold() not in FOR_ORIGINALS]
    if rest:
        layout[rest[-1]] = "{roll}"
        open_fields.remove("roll")
    if len(rest) > 1:
        layout[rest[-2]] = "{source}"
        open_fields.remove("source")
    words = ["--layout", "/".join(layout)]
    if len(shoots) != 1:
        words += ["--shoot", "YYMMDD NAME"]
    for field_name in open_fields:
        words += [f"--{field_name}", "NAME"]
    return tuple(words)


class OldHashes(StrEnum):
    """What tells hashes that are older than this look."""

    HISTORY = "ASC MHL history"
    LIST = "checksum list"


@dataclass(frozen=True, kw_only=True, slots=True)
class OldSource:
    """Something on the drive with hashes in it: its path; the folder that it speaks of."""

    kind: OldHashes
    path: str
    scope: str


@dataclass(frozen=True, kw_only=True, slots=True)
class FoundRoll:
    """A folder that would become a roll, and what lies in it.

    ``known`` says, of one that needs no taking in, why: it is a roll already.
    """

    folder: str
    named: Named
    files: int
    clips: int
    size_bytes: int
    old: tuple[OldSource, ...] = ()
    known: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class FoundFolder:
    """A folder that would not, and why. ``options``: what would place it."""

    folder: str
    why: str
    files: int
    size_bytes: int
    options: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class AdoptPlan:
    """What a look at a place found; nothing was read but names, sizes and old hashes.

    ``others`` are files that belong to nothing of this, counted by the topmost folder; ``seconds`` is
    how long reading all rolls twice would take, None where nobody knows how fast the drive is.
    """

    place: str
    path: str
    rolls: tuple[FoundRoll, ...] = ()
    unplaced: tuple[FoundFolder, ...] = ()
    left_out: tuple[FoundFolder, ...] = ()
    others: tuple[FoundFolder, ...] = ()
    troubles: tuple[Trouble, ...] = ()
    seconds: float | None = None
    rate: float | None = None

    @property
    def new(self) -> tuple[FoundRoll, ...]:
        """The folders that are no rolls yet."""
        return tuple(one for one in self.rolls if not one.known)


@dataclass(frozen=True, kw_only=True, slots=True)
class AdoptAll:
    """What ``adopt`` came to. ``done`` is empty after a dry run; ``failed``: folder and why."""

    plan: AdoptPlan
    dry_run: bool
    done: tuple[AdoptOutcome, ...] = field(default=())
    failed: tuple[Trouble, ...] = field(default=())

    @property
    def all_well(self) -> bool:
        """Whether nothing is left to see to."""
        plan = self.plan
        if plan.unplaced or plan.troubles or self.failed or not plan.rolls:
            return False
        return not any(one.troubles or one.not_cold for one in self.done)
