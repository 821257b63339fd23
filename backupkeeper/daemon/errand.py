"""What the daemon and a worker say to each other: lines of JSON, each one of the values here.

The daemon writes an ``Errand``, then perhaps ``hold``, ``resume``, ``line …`` (how much of the line
it may take from now on) and ``stop``, one a line; the end of its writing means stop too, so that no
worker outlives its daemon for long. The worker writes
``Moving`` now and then and one ``Finished`` or ``Failed`` at the end.

Promises:
1. Whatever is decoded that is none of these raises ``ListingError`` and nothing else.
2. Names that are not UTF-8 come through as they are (PEP 383, escaped in JSON).
"""

import json
from dataclasses import asdict, dataclass, fields
from datetime import datetime, timedelta
from types import MappingProxyType
from typing import Any, Final

from backupkeeper.core.deeds import Deed, DeedKind, Strange
from backupkeeper.core.errors import ListingError
from backupkeeper.core.model import PlaceId, RollId

HOLD: Final = "hold"
RESUME: Final = "resume"
STOP: Final = "stop"
_LINE: Final = "line "
_WHOLE: Final = "whole"
MOST_LINE_BYTES: Final = 16 * 1024 * 1024


@dataclass(frozen=True, kw_only=True, slots=True)
class Errand:
    """What a worker is sent to do: a deed, the weekly report, or a look at one mount.

    ``mounts`` are tokens of the mounts that answered when they were looked at: the worker knows no
    other ones, so that a dying disk can't hold up work on good ones. ``ahead`` is how far the
    daemon's clock is ahead of the machine's (zero but in tests). ``config`` is the whole text of the
    configuration that the daemon goes by. ``line`` is how many bytes a second it may send (None: any
    number, 0: none for now).
    """

    deed: Deed | None = None
    point: str = ""
    """The mount point (or folder of a place) to look at, where there is no deed."""
    weekly: bool = False
    mounts: tuple[str, ...] = ()
    config: str = ""
    ahead: timedelta = timedelta(0)
    line: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Moving:
    """How far a worker is. Counts are of the present stage (``what``).

    ``sent_bytes`` is what left for buckets since the worker began.
    """

    what: str
    bytes_done: int
    bytes_total: int
    files_done: int
    files_total: int
    path: str
    held: bool
    sent_bytes: int = 0
    proven_files: int = 0
    """Of a card that is being judged: files of which nothing speaks against, till now."""
    against_files: int = 0
    against: tuple[str, ...] = ()
    """Sentences on the first few of these."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Finished:
    """What a deed came to. ``troubles`` are (name of the place or ``card``, path, sentence)."""

    said: str
    """One sentence for the log."""
    size_bytes: int = 0
    files: int = 0
    seconds: float = 0.0
    troubles: tuple[tuple[str, str, str], ...] = ()
    sealed: bool = False
    """A card's offload came to its end."""
    folders: tuple[str, ...] = ()
    """Rolls that the card's files lie in now."""
    may_wipe: bool | None = None
    reasons: tuple[str, ...] = ()
    """Sentences: all that speaks against a yes; with a yes, what it does not say."""
    strange: tuple[Strange, ...] = ()
    free: tuple[tuple[str, int], ...] = ()
    """Bytes free now on the drives that it used, by place id."""
    sight: str = ""
    """What a look at a mount saw (JSON of ``daemon.sights.Sight``), or a report's text."""
    posted: bool = False
    """Whether the weekly report is in the outbox, and remembered as made."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Failed:
    """Why a deed could not be done. ``error`` is the class of ``core.errors``, or ``stopped``."""

    error: str
    message: str
    advice: str = ""
    process: int | None = None
    """Who holds the place, for ``PlaceHeldError``."""


Word = Moving | Finished | Failed
_KINDS: Final = MappingProxyType({"moving": Moving, "finished": Finished, "failed": Failed})


def encode_errand(errand: Errand) -> bytes:
    """One line."""
    told: dict[str, object] = {
        "version": 1,
        "deed": _told(errand.deed) if errand.deed is not None else None,
        "point": errand.point,
        "weekly": errand.weekly,
        "mounts": errand.mounts,
        "config": errand.config,
        "ahead_us": errand.ahead // timedelta(microseconds=1),
        "line": errand.line,
    }
    return _line(told)


def _told(deed: Deed) -> dict[str, object]:
    before = deed.before.isoformat() if deed.before is not None else None
    return asdict(deed) | {"before": before}


def decode_errand(line: bytes) -> Errand:
    """The errand of a line.

    Raises:
        ListingError: it is none.
    """
    told = _object(line)
    try:
        deed = told["deed"]
        return Errand(
            deed=_deed(deed) if deed is not None else None,
            point=_text(told["point"]),
            weekly=bool(told["weekly"]),
            mounts=tuple(_text(one) for one in told["mounts"]),
            config=_text(told["config"]),
            ahead=timedelta(microseconds=int(told["ahead_us"])),
            line=None if told["line"] is None else float(told["line"]),
        )
    except (KeyError, TypeError, ValueError, OverflowError) as error:
        raise ListingError("A worker was sent an errand that it can't understand.") from error


def line_command(limit: float | None) -> str:
    """The command that says how many bytes a second a worker may send from now on."""
    return _LINE + (_WHOLE if limit is None else f"{limit:.3f}")


def line_told(command: str) -> tuple[float | None] | None:
    """What such a command says, in a tuple of one; None: it is another one."""
    text = command.removeprefix(_LINE)
    if text == command:
        return None
    if text == _WHOLE:
        return (None,)
    try:
        return (max(0.0, float(text)),)
    except ValueError:
        return None


def encode_word(word: Word) -> bytes:
    """One line."""
    return _line({"word": type(word).__name__.lower(), **asdict(word)})


def decode_word(line: bytes) -> Word:
    """What a worker said.

    Raises:
        ListingError: nothing that a worker says.
    """
    told = _object(line)
    kind = _KINDS.get(str(told.pop("word", "")))
    if kind is None or set(told) != {field.name for field in fields(kind)}:
        raise ListingError("A worker said something that the daemon can't understand.")
    try:
        match kind.__name__:
            case "Finished":
                return _finished(told)
            case "Moving":
                against = tuple(_text(one) for one in told.pop("against"))
                return Moving(**told, against=against)
            case _:
                return Failed(**told)
    except (KeyError, TypeError, ValueError) as error:
        raise ListingError("A worker said something that the daemon can't understand.") from error


def _finished(told: dict[str, Any]) -> Finished:
    troubles = tuple(
        (_text(place), _text(path), _text(said)) for place, path, said in told.pop("troubles")
    )
    strange = tuple(
        Strange(
            place=PlaceId(_text(one["place"])),
            folder=_text(one["folder"]),
            size_bytes=int(one["size_bytes"]),
            files=int(one["files"]),
        )
        for one in told.pop("strange")
    )
    folders = tuple(_text(one) for one in told.pop("folders"))
    reasons = tuple(_text(one) for one in told.pop("reasons"))
    free = tuple((_text(place), int(left)) for place, left in told.pop("free"))
    return Finished(
        troubles=troubles, strange=strange, folders=folders, reasons=reasons, free=free, **told
    )


def _deed(told: dict[str, Any]) -> Deed:
    return Deed(
        kind=DeedKind(told["kind"]),
        why=_text(told["why"]),
        size_bytes=int(told["size_bytes"]),
        files=int(told["files"]),
        place=None if told["place"] is None else PlaceId(_text(told["place"])),
        source=None if told["source"] is None else PlaceId(_text(told["source"])),
        onto=tuple(PlaceId(_text(one)) for one in told["onto"]),
        sources=tuple(PlaceId(_text(one)) for one in told["sources"]),
        roll=None if told["roll"] is None else RollId(_text(told["roll"])),
        folder=_text(told["folder"]),
        folders=tuple(_text(one) for one in told["folders"]),
        card=None if told["card"] is None else _text(told["card"]),
        shoot=_text(told["shoot"]),
        source_name=_text(told["source_name"]),
        budget_s=None if told["budget_s"] is None else float(told["budget_s"]),
        before=None if told["before"] is None else _moment(told["before"]),
        asked=bool(told["asked"]),
    )


def _moment(value: object) -> datetime:
    at = datetime.fromisoformat(_text(value))
    if at.tzinfo is None:
        raise ValueError("a time without a zone")
    return at


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise TypeError("no text")
    return value


def _line(told: dict[str, object]) -> bytes:
    return json.dumps(told, ensure_ascii=True, separators=(",", ":")).encode("ascii") + b"\n"


def _object(line: bytes) -> dict[str, Any]:
    try:
        told = json.loads(line)
    except (ValueError, RecursionError):
        told = None
    if not isinstance(told, dict):
        raise ListingError("A worker and its daemon did not understand each other.")
    return told
