"""Every error of SQLite, of the file system and of values becomes a CatalogError with advice."""

import errno
import sqlite3

import pytest

from backupkeeper.catalog.faults import catalog_error, damaged, told
from backupkeeper.core.errors import CatalogError

DAMAGED, LOCKED, FULL = "is damaged", "held by another", "no room left"
SHUT, DEVICE, REFUSED, FAILED = (
    "can't be opened or written",
    "answered with an error",
    "Something can't be recorded",
    "could not be used",
)
# Source: https://sqlite.org/rescode.html, primary result codes; what each comes to here is ours.
CODES = {
    "SQLITE_ERROR": FAILED,
    "SQLITE_INTERNAL": FAILED,
    "SQLITE_PERM": SHUT,
    "SQLITE_ABORT": FAILED,
    "SQLITE_BUSY": LOCKED,
    "SQLITE_LOCKED": LOCKED,
    "SQLITE_NOMEM": FAILED,
    "SQLITE_READONLY": SHUT,
    "SQLITE_INTERRUPT": FAILED,
    "SQLITE_IOERR": DEVICE,
    "SQLITE_CORRUPT": DAMAGED,
    "SQLITE_NOTFOUND": FAILED,
    "SQLITE_FULL": FULL,
    "SQLITE_CANTOPEN": SHUT,
    "SQLITE_PROTOCOL": LOCKED,
    "SQLITE_EMPTY": DAMAGED,
    "SQLITE_SCHEMA": FAILED,
    "SQLITE_TOOBIG": REFUSED,
    "SQLITE_CONSTRAINT": REFUSED,
    "SQLITE_MISMATCH": REFUSED,
    "SQLITE_MISUSE": FAILED,
    "SQLITE_NOLFS": SHUT,
    "SQLITE_AUTH": SHUT,
    "SQLITE_FORMAT": DAMAGED,
    "SQLITE_RANGE": REFUSED,
    "SQLITE_NOTADB": DAMAGED,
    "SQLITE_NOTICE": FAILED,
    "SQLITE_WARNING": FAILED,
}
NO_ERRORS = {"SQLITE_OK", "SQLITE_DONE", "SQLITE_ROW"}
CLASSES: dict[type[Exception], str] = {
    sqlite3.Error: FAILED,
    sqlite3.Warning: FAILED,
    sqlite3.InterfaceError: REFUSED,
    sqlite3.DatabaseError: FAILED,
    sqlite3.InternalError: FAILED,
    sqlite3.OperationalError: FAILED,
    sqlite3.ProgrammingError: FAILED,
    sqlite3.IntegrityError: REFUSED,
    sqlite3.DataError: REFUSED,
    sqlite3.NotSupportedError: FAILED,
}


def known_codes() -> set[str]:
    """Names of the primary result codes, as the module knows them (those below 256)."""
    from sqlite3 import dbapi2  # noqa: PLC0415 - one look

    primary = {
        name
        for name in dir(dbapi2)
        if name.startswith("SQLITE_") and name in CODES | dict.fromkeys(NO_ERRORS)
    }
    try:
        raise_one = sqlite3.connect("/nowhere/at/all")
    except sqlite3.Error as error:
        assert error.sqlite_errorname in CODES  # noqa: PT017 - the name is the point
    else:
        raise_one.close()
    return primary


def test_every_primary_code_has_its_sentence() -> None:
    assert known_codes() == set(CODES) | NO_ERRORS


@pytest.mark.parametrize("name", CODES)
@pytest.mark.parametrize("extension", [0, 1 << 8, 7 << 8], ids=["plain", "extended", "further"])
def test_a_code_becomes_its_sentence_with_advice(name: str, extension: int) -> None:
    error = sqlite3.OperationalError("what SQLite said")
    error.sqlite_errorcode = getattr(sqlite3, name) | extension
    told_as = catalog_error(error, "/x/catalog.sqlite")
    assert CODES[name] in told_as.message
    assert "/x/catalog.sqlite" in told_as.message
    assert "what SQLite said" in told_as.message
    assert told_as.advice
    assert told_as.exit_code == 3


def subclasses(of: type[Exception]) -> set[type[Exception]]:
    return {of}.union(*map(subclasses, of.__subclasses__()))


def test_every_class_of_the_module_is_mapped() -> None:
    theirs = {
        cls for cls in subclasses(sqlite3.Error) | {sqlite3.Warning} if cls.__module__ == "sqlite3"
    }
    assert theirs == set(CLASSES)


@pytest.mark.parametrize("cls", CLASSES)
def test_a_class_without_a_code_becomes_its_sentence(cls: type[Exception]) -> None:
    broken = cls("said")
    with pytest.raises(CatalogError, match=CLASSES[cls]) as caught, told("/x"):
        raise broken
    assert caught.value.__cause__ is broken


@pytest.mark.parametrize(
    ("number", "sentence"),
    [
        (errno.ENOSPC, FULL),
        (errno.EDQUOT, FULL),
        (errno.EIO, DEVICE),
        (errno.EACCES, SHUT),
        (errno.EROFS, SHUT),
        (errno.ENAMETOOLONG, SHUT),
    ],
    ids=["full", "quota", "device", "not allowed", "read-only", "name too long"],
)
def test_an_error_of_the_file_system_becomes_its_sentence(number: int, sentence: str) -> None:
    with pytest.raises(CatalogError, match=sentence) as caught, told("/x"):
        raise OSError(number, "said")
    assert errno.errorcode[number] in caught.value.message


def test_an_error_of_the_file_system_without_a_number_is_told_too() -> None:
    assert "odd" in catalog_error(OSError("odd"), "/x").message


def test_found_damage_says_what_was_found() -> None:
    assert damaged("/x", "row 3 missing").message == "The catalog /x is damaged (row 3 missing)."


def test_a_check_that_could_not_read_says_nothing_of_damage() -> None:
    told_by_check = "*** in database main *** Page 2: unable to get the page. error code=8458"
    found = damaged("/x", told_by_check)
    assert found.message.startswith("The disk under the catalog /x answered with an error")
    assert "Move it aside" not in found.advice


def test_any_other_error_passes_untouched() -> None:
    with pytest.raises(KeyError), told("/x"):
        raise KeyError
