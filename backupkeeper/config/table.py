"""Reading TOML with a memory for faults: nothing is passed over, and all faults come at once."""

import difflib
import json
import re
import tomllib
from collections.abc import Callable, Mapping
from datetime import date, datetime, time
from typing import Final, NoReturn, TypeVar

from backupkeeper.core.age import SECRET_MARK
from backupkeeper.core.errors import ConfigError, ConfigFault

_T = TypeVar("_T")

MOST_CHARACTERS: Final = 1024 * 1024
MOST_TEXT: Final = 1000
"""Characters in a text that goes into every manifest."""
_SHORT: Final = 80
_FEW: Final = 6
_TOML_BITS: Final = 64
_SECRET: Final = re.compile(
    r"pass(word|phrase|wd)?|secret|token|credential|access.?key", re.IGNORECASE
)
_WHERE: Final = re.compile(r"^(?P<what>.*) \(at (?P<where>line \d+, column \d+|end of document)\)$")
_BARE: Final = re.compile(r"[A-Za-z0-9_-]+")


class _WrongError(Exception):
    """A value is not what it must be; says what would be."""


def wrong(wanted: str) -> NoReturn:
    """Say that a value is not what it must be."""
    raise _WrongError(wanted)


class Table:
    """One table of the text: hands out checked values, notes faults, and what was never asked for."""

    def __init__(self, values: Mapping[str, object], path: str, faults: list[ConfigFault]) -> None:
        self._values = values
        self._path = path
        self._faults = faults
        self._known: list[str] = []

    def take(self, key: str, read: Callable[[object], _T], default: _T) -> _T:
        """The value of a key, or its default; a wrong one is noted and gives the default."""
        self._known.append(key)
        if key not in self._values:
            return default
        try:
            return read(self._values[key])
        except _WrongError as wrong:
            self._note(key, str(wrong))
            return default

    def table(self, key: str) -> "Table":
        """A table in this one; empty where there is none."""
        nothing: Mapping[str, object] = {}
        values = self.take(key, as_table, nothing)
        return Table(values, f"{self._path}{key}.", self._faults)

    def tables(self, key: str) -> "list[Table]":
        """The tables of an array of tables, each with its number from 1 in its path."""
        nothing: list[Mapping[str, object]] = []
        found = self.take(key, as_tables, nothing)
        return [
            Table(values, f"{self._path}{key}[{number}].", self._faults)
            for number, values in enumerate(found, start=1)
        ]

    def has(self, key: str) -> bool:
        """Whether something stands under a key, right or wrong."""
        return key in self._values

    def fault(self, key: str, wanted: str) -> None:
        """Note a fault that shows only when several keys are seen together.

        A value that is wrong by itself is told once: its default is nobody's fault.
        """
        if all(fault.key != f"{self._path}{key}" for fault in self._faults):
            self._note(key, wanted)

    def finish(self) -> None:
        """Note every key that nothing here asked for."""
        kind = "keys" if self._path else "tables"
        for key in self._values:
            if key in self._known:
                continue
            if _SECRET.search(key):
                self._note(key, "secrets never stand in the configuration; take this out")
                continue
            near = difflib.get_close_matches(key[:MOST_TEXT], self._known, n=1)
            hint = f"did you mean {near[0]}? " if near else ""
            self._note(key, f"{hint}the {kind} here are {', '.join(self._known)}")

    def _note(self, key: str, wanted: str) -> None:
        value = self._values.get(key, "")
        shown = "(not shown)" if _SECRET.search(key) else _shown(value)
        name = key if _BARE.fullmatch(key) else _shown(key)
        self._faults.append(ConfigFault(key=f"{self._path}{name}", value=shown, wanted=wanted))


def parsed(text: str, file: str) -> Mapping[str, object]:
    """The tables of a text.

    Raises:
        ConfigError: it is no TOML, or too long.
    """
    whole = "the whole file"
    if len(text) > MOST_CHARACTERS:
        wanted = f"at most {MOST_CHARACTERS} characters"
        fault = ConfigFault(key=whole, value=f"{len(text)} characters", wanted=wanted)
        raise ConfigError(file, [fault])
    try:
        return tomllib.loads(text)
    except RecursionError:
        fault = ConfigFault(key=whole, value="values in values without end", wanted="TOML")
        raise ConfigError(file, [fault]) from None
    except ValueError as error:  # TOMLDecodeError is one; a number too long to read is another
        match = _WHERE.match(str(error))
        where = match["where"] if match else whole
        what = match["what"] if match else str(error)
        fault = ConfigFault(key=where, value=_line(text, where), wanted=f"TOML ({what})")
        raise ConfigError(file, [fault]) from error


def _line(text: str, where: str) -> str:
    """The line that a fault is in; nothing of one that may hold a secret."""
    number = re.match(r"line (\d+)", where)
    if number is None:
        return "(its end)" if where.startswith("end") else "(unreadable)"
    line = text.split("\n")[int(number[1]) - 1].strip()
    return "(not shown)" if _SECRET.search(line) else _shown(line)


def _shown(value: object) -> str:
    """A value as a person would write it, kept short; never fails, however deep or large it is."""
    match value:
        case bool():
            return "true" if value else "false"
        case str():
            return _text(value)
        case int() if value.bit_length() > _TOML_BITS:
            return "(a very large number)"
        case int() | float() | datetime() | date() | time():
            return str(value)
        case list():
            few = [_shown(item) if isinstance(item, str | bool) else "…" for item in value[:_FEW]]
            return f"[{', '.join([*few, '…'] if len(value) > _FEW else few)}]"
        case _:
            return "(a table)"


def _text(value: str) -> str:
    if SECRET_MARK in value.upper():
        return "(not shown)"
    return json.dumps(value[:_SHORT], ensure_ascii=False) + "…" * (len(value) > _SHORT)


def as_table(value: object) -> Mapping[str, object]:
    """Of a table."""
    if not isinstance(value, dict):
        wrong("a table, written as [name] on a line of its own")
    return value


def as_tables(value: object) -> list[Mapping[str, object]]:
    """Of an array of tables."""
    if not isinstance(value, list) or not all(isinstance(one, dict) for one in value):
        wrong("tables, each begun with [[name]] on a line of its own")
    return value
