"""Names that a file system can't hold, changed so that they fit and can be given back.

Promises:
1. Deterministic, whatever the order of the paths; no two paths get one name.
2. Only names that the file system can't hold, or that hold our own marks, are changed.
3. ``unfit_name`` gives every name back, except one that had to be shortened: only the record can.

The marks, all begun by ``%``:

* ``%3A``: a byte that can't stand in a name, as two upper-case hex digits.
* ``%~2``: the second of several names that the file system takes for one, or that of a file of
  the card's that could be taken for one of our own.
* ``%~~`` and 32 hex digits: a shortened name, with BLAKE3 (128 bits) over the whole one.
"""

import re
from collections.abc import Collection, Iterable, Iterator, Mapping
from functools import lru_cache
from typing import Final

from blake3 import blake3

from backupkeeper.core.errors import ListingError
from backupkeeper.core.naming import (
    EXFAT,
    LONGEST_NAME,
    POSIX,
    RESERVED,
    STRICTEST,
    FsLimits,
    path_bytes,
)

_MARK: Final = re.compile(r"%(?=[0-9A-F]{2}|~)")
_MARK_POSIX: Final = re.compile(r"%(?=(?:25)*~)")
"""Where no byte is ever escaped, only ``%~`` (and what its own escaping makes of it) is a mark."""
_ESCAPE: Final = re.compile(rb"%([0-9A-F]{2})")
_ESCAPE_POSIX: Final = re.compile(rb"%25(?=(?:25)*~)")
_SUFFIX: Final = re.compile(r"%~[0-9]+")
_SHORTENED: Final = re.compile(r"%~~[0-9a-f]{32}")
OWN_PREFIX: Final = ".backupkeeper"
"""Names that begin so (in any case) are ours: the place's folder, temporary files."""
_EXTENSION: Final = re.compile(r"(?<=.)\.[0-9A-Za-z]{1,10}\Z", re.DOTALL)


def fit_names(
    paths: Iterable[str], limits: FsLimits, *, reserved: Collection[str] = RESERVED
) -> dict[str, str]:
    """The path of each of these on a file system with these limits.

    Args:
        paths: files and folders below a roll's folder, ``/`` between parts; give all of them at
            once, for which of two colliding names is changed depends on both.
        limits: what the file system can hold.
        reserved: names that the topmost folder can't have because we use them ourselves.

    Raises:
        ListingError: a path is absolute, or has a part that is empty, ``.`` or ``..``.
    """
    wanted = {path: _parts(path) for path in paths}
    children: dict[tuple[str, ...], set[str]] = {}
    for parts in wanted.values():
        for depth in range(len(parts), 0, -1):
            siblings = children.setdefault(parts[: depth - 1], set())
            if parts[depth - 1] in siblings:
                break
            siblings.add(parts[depth - 1])
    fitted = {
        folder: _fit_folder(names, limits, () if folder else reserved)
        for folder, names in children.items()
    }
    made = {}
    for path, parts in wanted.items():
        name = "/".join(fitted[parts[:depth]][part] for depth, part in enumerate(parts))
        made[path] = path if name == path else name  # one text for both: most names fit
    return made


def possible_paths(folder: str, paths: Collection[str]) -> dict[str, tuple[str, ...]]:
    """Where each file of a roll may stand, whatever file system its place has; one path for most.

    Args:
        folder: the roll's folder, relative to the place.
        paths: all files and empty folders of the roll.
    """
    return dict(_possible(folder, tuple(paths)))


@lru_cache(maxsize=32)
def _possible(folder: str, paths: tuple[str, ...]) -> Mapping[str, tuple[str, ...]]:
    """See ``possible_paths``: asked for one roll again and again while something is done about it."""
    fits = [fit_names(paths, limits) for limits in (POSIX, EXFAT, STRICTEST)]
    return {
        path: tuple(f"{folder}/{name}" for name in dict.fromkeys(fit[path] for fit in fits))
        for path in paths
    }


def _parts(path: str) -> tuple[str, ...]:
    path_bytes(path)
    parts = tuple(path.split("/"))
    if "\0" in path or not {"", ".", ".."}.isdisjoint(parts):
        raise ListingError(f"{path!a} is no path below a folder.")
    return parts


def _fit_folder(
    names: Iterable[str], limits: FsLimits, reserved: Collection[str]
) -> dict[str, str]:
    encoded = [(_encode(name, limits), name) for name in sorted(names, key=path_bytes)]
    # Names that stay as they are come first, so that no legal name makes way for a changed one.
    encoded.sort(key=lambda pair: pair[0] != pair[1])
    taken = {limits.key(name) for name in reserved}
    given: dict[str, str] = {}
    counts: dict[str, int] = {}
    for fit, name in encoded:
        key, result = limits.key(fit), fit
        while limits.key(result) in taken or _is_ours(result):
            counts[key] = counts.get(key, 1) + 1
            result = _with_mark(fit, f"%~{counts[key]}")
            if not limits.long_enough(result):
                # No name holds a slash, so what is hashed here is nobody's whole name.
                result = _shorten(fit, f"{name}/{counts[key]}", limits)
        taken.add(limits.key(result))
        given[name] = result
    return given


def _is_ours(fit: str) -> bool:
    """Whether a name of the card's could be taken for one of our own temporary files or folders.

    A card may be a folder that an earlier copy left behind, with such files in it.
    """
    marked = _SUFFIX.search(fit) or _SHORTENED.search(fit)
    return not marked and fit.lower().startswith(OWN_PREFIX)


def _encode(name: str, limits: FsLimits) -> str:
    pattern = _MARK_POSIX if limits.any_bytes else _MARK
    marks = {match.start() for match in pattern.finditer(name)}
    escaped = marks | limits.offending(name)
    fit = "".join(_escaped(c) if at in escaped else c for at, c in enumerate(name))
    return fit if limits.long_enough(fit) else _shorten(fit, name, limits)


def _escaped(character: str) -> str:
    return "".join(f"%{byte:02X}" for byte in path_bytes(character))


def _with_mark(fit: str, mark: str) -> str:
    extension = _EXTENSION.search(fit)
    at = extension.start() if extension else len(fit)
    return fit[:at] + mark + fit[at:]


def _shorten(fit: str, name: str, limits: FsLimits) -> str:
    mark = f"%~~{blake3(path_bytes(name)).hexdigest(length=16)}"
    extension = _EXTENSION.search(fit)
    tail = mark + (extension[0] if extension else "")
    for keep in _lengths(fit):
        if limits.long_enough(fit[:keep] + tail):
            return fit[:keep] + tail
    return tail


def _lengths(fit: str) -> Iterator[int]:
    # A shortened name never looks like an unfinished escape: that ends in ``%`` or ``%X``.
    return (
        n
        for n in range(min(len(fit) - 1, LONGEST_NAME), 0, -1)
        if "%" not in fit[max(0, n - 2) : n]
    )


def unfit_name(name: str, limits: FsLimits) -> str | None:
    """The name that ``fit_names`` made this of, or None where it was shortened.

    Only for names that ``fit_names`` gave, with the same limits.
    """
    if _SHORTENED.search(name):
        return None
    plain = path_bytes(_SUFFIX.sub("", name))
    if limits.any_bytes:
        plain = _ESCAPE_POSIX.sub(b"%", plain)
    else:
        plain = _ESCAPE.sub(lambda match: bytes.fromhex(match[1].decode("ascii")), plain)
    return plain.decode("utf-8", "surrogateescape")
