"""What went wrong with the catalog, in words: every error of SQLite and of the row values mapped.

Promises:
1. ``told`` lets only errors of ``core.errors`` out of what it surrounds, as far as SQLite, the file
   system or a value that can't be stored is the cause; anything else passes untouched.
2. Every message says what happened to which file; its advice, what the person can do.

Source of the codes: https://sqlite.org/rescode.html.
"""

import errno
import re
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

from backupkeeper.core.errors import CatalogError

_PRIMARY = 0xFF
"""Extended result codes keep the primary one in their low byte."""

_CODE = re.compile(r"error code=(\d+)")
"""In the lines of a check, where a page could not be had (seen with SQLite 3.40)."""

_DAMAGED = (
    "The catalog {path} is damaged ({detail}).",
    (
        "Nothing was changed. Move it aside together with the files -wal and -shm beside it, "
        "keep them, and put a good copy in its place."
    ),
)
_LOCKED = (
    "The catalog {path} is held by another program ({detail}).",
    "Wait until the other command has finished and repeat this one.",
)
_FULL = (
    "There is no room left for the catalog {path} ({detail}).",
    "Make room on that disk and repeat the command: what was recorded before stays recorded.",
)
_SHUT = (
    "The catalog {path} can't be opened or written ({detail}).",
    (
        "Check that its folder exists and that you may write there, "
        "or name another file under [catalog] path."
    ),
)
_DEVICE = (
    "The disk under the catalog {path} answered with an error ({detail}).",
    "What was recorded before stays recorded. Check that disk before you go on.",
)
_REFUSED = (
    "Something can't be recorded in the catalog {path} ({detail}).",
    "Nothing of it was recorded. This is a mistake in this program: please report it.",
)
_FAILED = (
    "The catalog {path} could not be used ({detail}).",
    "Repeat the command; if it fails again, please report it.",
)

_BY_CODE = {
    sqlite3.SQLITE_CORRUPT: _DAMAGED,
    sqlite3.SQLITE_NOTADB: _DAMAGED,
    sqlite3.SQLITE_FORMAT: _DAMAGED,
    sqlite3.SQLITE_EMPTY: _DAMAGED,
    sqlite3.SQLITE_BUSY: _LOCKED,
    sqlite3.SQLITE_LOCKED: _LOCKED,
    sqlite3.SQLITE_PROTOCOL: _LOCKED,
    sqlite3.SQLITE_FULL: _FULL,
    sqlite3.SQLITE_READONLY: _SHUT,
    sqlite3.SQLITE_PERM: _SHUT,
    sqlite3.SQLITE_CANTOPEN: _SHUT,
    sqlite3.SQLITE_AUTH: _SHUT,
    sqlite3.SQLITE_NOLFS: _SHUT,
    sqlite3.SQLITE_IOERR: _DEVICE,
    sqlite3.SQLITE_CONSTRAINT: _REFUSED,
    sqlite3.SQLITE_MISMATCH: _REFUSED,
    sqlite3.SQLITE_TOOBIG: _REFUSED,
    sqlite3.SQLITE_RANGE: _REFUSED,
}
_BY_CLASS: tuple[tuple[type[Exception], tuple[str, str]], ...] = (
    (sqlite3.IntegrityError, _REFUSED),
    (sqlite3.DataError, _REFUSED),
    (sqlite3.InterfaceError, _REFUSED),
    (sqlite3.ProgrammingError, _FAILED),
    (sqlite3.Error, _FAILED),
    (sqlite3.Warning, _FAILED),
    (ValueError, _REFUSED),  # UnicodeEncodeError is one
    (OverflowError, _REFUSED),
)
_FULL_ERRNOS = frozenset({errno.ENOSPC, errno.EDQUOT})


def catalog_error(error: Exception, path: str) -> CatalogError:
    """Put an error of SQLite, of the file system or of a value into a sentence and advice.

    Args:
        error: what was caught.
        path: the catalog's file.
    """
    if isinstance(error, OSError):
        kind = _FULL if error.errno in _FULL_ERRNOS else _SHUT
        if error.errno == errno.EIO:
            kind = _DEVICE
        return _sentence(kind, path, errno.errorcode.get(error.errno or 0, str(error)))
    code = getattr(error, "sqlite_errorcode", None)
    if code is not None and (kind_of_code := _BY_CODE.get(code & _PRIMARY)) is not None:
        return _sentence(kind_of_code, path, str(error))
    kind = next((kind for cls, kind in _BY_CLASS if isinstance(error, cls)), _FAILED)
    return _sentence(kind, path, str(error))


def damaged(path: str, detail: str) -> CatalogError:
    """The catalog's own check found it damaged, or could not read it: then nothing is known of it."""
    codes = {int(code) & _PRIMARY for code in _CODE.findall(detail)}
    return _sentence(_DEVICE if sqlite3.SQLITE_IOERR in codes else _DAMAGED, path, detail)


def _sentence(kind: tuple[str, str], path: str, detail: str) -> CatalogError:
    message, advice = kind
    return CatalogError(message.format(path=path, detail=detail), advice=advice)


@contextmanager
def told(path: str) -> Iterator[None]:
    """Whatever SQLite, the file system or a value says in here leaves as a ``CatalogError``.

    Args:
        path: the catalog's file.

    Raises:
        CatalogError: with the sentence and the advice.
    """
    try:
        yield
    except (sqlite3.Error, sqlite3.Warning, OSError, ValueError, OverflowError) as error:
        raise catalog_error(error, path) from error
