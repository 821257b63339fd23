"""A look at a medium that was just plugged in: whose card is it, what is on it, what is new?

Promises:
1. Only entries are looked at (``Files.list``, ``Files.stat``): no file is opened but a place's
   marker, which no card has; nothing is written, no access time of a file touched.
2. The look is bounded in entries and in seconds, and says so where that cut it short. What was not
   seen is never said to be known.
3. What is said to be known is a guess by path, size and time; a verdict reads every byte.
4. ``CardLook.from_json`` gives back what ``to_json`` told, whatever the names, and raises nothing
   but ``ListingError`` for anything else.
"""

import json
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, field, fields
from datetime import date, tzinfo
from typing import Any, Final, Self

from backupkeeper.actions.context import Context
from backupkeeper.actions.online import read_marker
from backupkeeper.cards.leaveout import file_litter, folder_litter, is_clip
from backupkeeper.cards.protection import writing_warnings
from backupkeeper.core.cardrules import Recognised, Sight, SourceRule, recognise
from backupkeeper.core.errors import HostileInputError, ListingError, UsageError
from backupkeeper.core.model import CardEntry
from backupkeeper.core.recorded import Day, day_of, shoot_name
from backupkeeper.core.taking import same_time
from backupkeeper.core.typed import typed
from backupkeeper.ports.files import EntryKind
from backupkeeper.ports.mounts import DeviceInfo
from backupkeeper.transfer.failures import read_failure

MOST_ENTRIES: Final = 200_000
MOST_SECONDS: Final = 10.0
"""The daemon gives a look twenty; the rest is for the catalog and for a slow start."""
MOST_NAMES: Final = 10_000
"""Files, and folders, that the rules are held against."""
_LEVELS: Final = 2
"""Levels of folders that rules can speak of."""


@dataclass(frozen=True, kw_only=True, slots=True)
class CardLook:
    """What a look saw.

    ``source`` is the rule that it answers to (None: none, or several). ``shoot`` is where its
    recordings belong (None: not known). ``trouble`` says why it can't be offloaded by itself.
    ``new_files`` look as if no sealed roll held them; ``folders`` are the rolls that the others
    seem to lie in (empty where the look was cut short). Sizes are bytes.
    """

    point: str
    token: str
    device: str
    label: str
    fs_type: str
    source: str | None
    auto_offload: bool
    shoot: str | None
    file_count: int
    size_bytes: int
    new_files: int
    new_bytes: int
    folders: tuple[str, ...] = ()
    trouble: str = ""
    warnings: tuple[str, ...] = ()
    is_cut: bool = False

    def to_json(self) -> str:
        """One line of ASCII."""
        return json.dumps(asdict(self), ensure_ascii=True)

    @classmethod
    def from_json(cls, text: str) -> Self:
        """What ``to_json`` told.

        Raises:
            ListingError: it is nothing of that kind.
        """
        try:
            told = json.loads(text)
        except (ValueError, RecursionError):
            told = None
        if not isinstance(told, dict) or set(told) != {one.name for one in fields(cls)}:
            raise ListingError("A look at a card was told in words that nobody understands.")
        for name in ("folders", "warnings"):
            told[name] = tuple(told[name]) if isinstance(told[name], list) else None
        for one in fields(cls):
            if not _is_of(str(one.type), told[one.name]):
                raise ListingError("A look at a card was told in words that nobody understands.")
        return cls(**told)


def _is_of(kind: str, value: Any) -> bool:  # noqa: ANN401 - whatever JSON gave
    match kind:
        case "<class 'str'>":
            return isinstance(value, str)
        case "str | None":
            return value is None or isinstance(value, str)
        case "<class 'bool'>":
            return isinstance(value, bool)
        case "<class 'int'>":
            return isinstance(value, int) and not isinstance(value, bool) and value >= 0
        case _:
            return isinstance(value, tuple) and all(isinstance(one, str) for one in value)


@dataclass(kw_only=True)
class _Seen:
    """What a walk met. ``left`` entries may still be looked at, until ``until_s``."""

    left: int
    until_s: float
    files: list[CardEntry] = field(default_factory=list)
    folders: list[str] = field(default_factory=list)
    unreadable: int = 0
    is_cut: bool = False


def look_at_card(
    context: Context,
    point: str,
    rules: Sequence[SourceRule],
    tz: tzinfo,
    *,
    most_entries: int = MOST_ENTRIES,
    most_seconds: float = MOST_SECONDS,
) -> CardLook:
    """Look at a card.

    Args:
        context: the world.
        point: where it is mounted, absolute.
        rules: what the cards of each source look like.
        tz: the zone that the system takes the card's times for.
        most_entries: how many entries are looked at.
        most_seconds: for how long.

    Raises:
        UsageError: it is a place, or no folder.
        ReadError: its first folder, or what may be a place's marker, can't be read.
        DriveGoneError: it is gone.
    """
    root = point.rstrip("/") or "/"
    seen = _Seen(left=most_entries, until_s=context.clock.monotonic() + most_seconds)
    try:
        stat = context.files.stat(root)
    except OSError as error:
        raise read_failure(root, error) from error
    if stat.kind is not EntryKind.FOLDER:
        raise UsageError(f"{root} is a {stat.kind}, no card.")
    if _is_place(context, root):
        raise UsageError(f"{root} is a place of yours (or of another catalog), not a card.")
    info = context.mounts.inspect(context.mounts.under(root))
    _walk(context, root, stat.device, seen)
    found = recognise(
        rules,
        Sight(
            label=info.label,
            fs_type=info.mount.fs_type,
            folders=tuple(seen.folders),
            files=tuple(entry.path for entry in seen.files[:MOST_NAMES]),
            size_bytes=info.size_bytes,
        ),
    )
    known = _known(context, seen, found.rule)
    return _told(context, root, info, seen, found, known, tz)


def _is_place(context: Context, root: str) -> bool:
    try:
        return read_marker(context.files, root) is not None
    except HostileInputError:
        return False  # rubbish under a marker's name makes no place of it


def _walk(context: Context, root: str, device: int, seen: _Seen) -> None:
    """Level by level, so that what the rules speak of comes first."""
    waiting = deque([("", False)])
    while waiting and not seen.is_cut:
        folder, is_litter = waiting.popleft()
        try:
            for name, kind in context.files.list(_absolute(root, folder)):
                if seen.left <= 0 or context.clock.monotonic() >= seen.until_s:
                    seen.is_cut = True
                    break
                seen.left -= 1
                path = f"{folder}/{name}" if folder else name
                inner = _entered(context, root, device, path, kind, seen, is_litter=is_litter)
                waiting.extend(inner)
        except OSError as error:
            if not folder:
                raise read_failure(root, error) from error
            seen.unreadable += 1


def _entered(
    context: Context,
    root: str,
    device: int,
    path: str,
    kind: EntryKind,
    seen: _Seen,
    *,
    is_litter: bool,
) -> Iterator[tuple[str, bool]]:
    """Look at one entry; the folder to go on with, if it is one."""
    if kind not in {EntryKind.FILE, EntryKind.FOLDER, EntryKind.UNKNOWN}:
        return
    try:
        stat = context.files.stat(_absolute(root, path))
    except OSError:
        seen.unreadable += 1
        return
    if stat.device != device:
        return  # another file system is mounted there
    if stat.kind is EntryKind.FOLDER:
        if path.count("/") < _LEVELS and len(seen.folders) < MOST_NAMES:
            seen.folders.append(path)
        yield path, is_litter or folder_litter(path) is not None
    elif stat.kind is EntryKind.FILE and (
        is_clip(path) if is_litter else file_litter(path) is None
    ):
        seen.files.append(CardEntry(path=path, size=stat.size, mtime_ns=stat.mtime_ns))


def _absolute(root: str, path: str) -> str:
    return f"{root.rstrip('/')}/{path}" if path else root


def _known(context: Context, seen: _Seen, rule: SourceRule | None) -> dict[str, str]:
    """The roll's folder for each file that a sealed roll seems to hold; newest rolls first.

    Only rolls of the card's own source are asked, where that is known, and none once time is up.
    """
    heads = sorted(context.catalog.rolls(), key=lambda head: head.sealed_at, reverse=True)
    unknown = {entry.path: entry for entry in seen.files}
    known: dict[str, str] = {}
    for head in heads:
        if rule is not None and head.source.casefold() != rule.name.casefold():
            continue
        if not unknown or context.clock.monotonic() >= seen.until_s:
            break
        for file in context.catalog.roll(head.id).files:
            entry = unknown.get(file.path)
            if (
                entry is not None
                and entry.size == file.size
                and same_time(entry.mtime_ns, file.mtime_ns)
            ):
                known[file.path] = head.folder
                del unknown[file.path]
    return known


def _told(
    context: Context,
    root: str,
    info: DeviceInfo,
    seen: _Seen,
    found: Recognised,
    known: dict[str, str],
    tz: tzinfo,
) -> CardLook:
    fresh = [entry for entry in seen.files if entry.path not in known]
    # Where nothing looks new the shoot is still told: the guess may be wrong, and a verdict says so.
    day = day_of(
        seen.files,
        is_known=lambda entry: bool(fresh) and entry.path in known,
        now=context.clock.now(),
        tz=tz,
    )
    shoot, trouble = _shoot(found, day.first if isinstance(day, Day) else None)
    reasons = [found.trouble, trouble, "" if isinstance(day, Day) else day.why]
    warnings = [*writing_warnings(info.mount), day.remark if isinstance(day, Day) else ""]
    if not info.mount.read_only:
        warnings.append(
            "It is mounted writable: this program writes nothing to it, but nothing keeps other "
            "programs from it."
        )
    if seen.unreadable:
        warnings.append(f"{seen.unreadable} of its entries could not be looked at.")
    if seen.is_cut:
        warnings.append(
            f"It was looked at only in part (the first {len(seen.files)} files): it is large, or slow."
        )
    return CardLook(
        point=root,
        token=info.mount.token,
        device=info.device,
        label=info.label or "",
        fs_type=info.mount.fs_type,
        source=found.rule.name if found.rule is not None else None,
        auto_offload=found.rule is not None and found.rule.auto_offload,
        shoot=shoot,
        file_count=len(seen.files),
        size_bytes=sum(entry.size for entry in seen.files),
        new_files=len(fresh),
        new_bytes=sum(entry.size for entry in fresh),
        folders=() if seen.is_cut else tuple(sorted(set(known.values()))),
        trouble=" ".join(filter(None, reasons)),
        warnings=tuple(filter(None, warnings)),
        is_cut=seen.is_cut,
    )


def _shoot(found: Recognised, first: date | None) -> tuple[str | None, str]:
    """The shoot, or None and, where that is news, a sentence that says why not."""
    if found.rule is None or first is None:
        return None, ""
    if not found.rule.shoot:
        return None, f"No shoot is named for {found.rule.name} (shoot in [[sources]])."
    try:
        return shoot_name(first, found.rule.shoot), ""
    except UsageError as error:
        return None, str(error)


def what_to_type(card: str, source: str | None, shoot: str | None) -> str:
    """The very command that offloads a card by hand, quoted for a POSIX shell.

    What is not known stands there in capitals, to be filled in.
    """
    words = ["--shoot", shoot or "YYMMDD NAME", "--source", source or "SOURCE"]
    return " ".join(["backupkeeper offload", typed(card), *map(typed, words)])
