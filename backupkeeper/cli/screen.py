"""What the person's screen can do: width, encoding, colour, time zone.

Promise: the environment is asked through click's own means, one variable at a time, so that
``os.environ`` has one reader (``wiring``).
"""

import codecs
import os
import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta, tzinfo
from typing import IO

import click

from backupkeeper.report.lines import Look

DEFAULT_WIDTH = 80
_LOCALES = ("LC_ALL", "LC_CTYPE", "LANG")
_PLAIN_LOCALES = {"C", "POSIX"}
Variable = Callable[[str], str | None]


def variable(name: str) -> str | None:
    """A variable of the environment; None where it is not set or empty."""
    option = click.Option(["--asked"], envvar=name)
    return option.resolve_envvar_value(click.Context(click.Command("asked")))


class SystemZone(tzinfo):
    """Where this computer is, with the summer times of every year, as the system knows them."""

    def fromutc(self, dt: datetime) -> datetime:
        """Local time of a time in UTC."""
        return dt.replace(tzinfo=UTC).astimezone().replace(tzinfo=self)

    def utcoffset(self, dt: datetime | None) -> timedelta | None:
        """How far local time is from UTC then."""
        return None if dt is None else dt.replace(tzinfo=None).astimezone().utcoffset()

    def tzname(self, dt: datetime | None) -> str | None:
        """What local time is called then."""
        return None if dt is None else dt.replace(tzinfo=None).astimezone().tzname()

    def dst(self, dt: datetime | None) -> timedelta | None:
        """Not known apart from the offset."""
        del dt
        return None


def is_terminal(stream: IO[str]) -> bool:
    """Whether a person looks at this stream."""
    try:
        return stream.isatty()
    except ValueError:  # closed
        return False


def look_of(stream: IO[str], ask: Variable = variable) -> Look:
    """What can be shown on a stream."""
    return Look(
        zone=SystemZone(),
        width=_width(stream, ask),
        unicode=not _ascii_only(stream, ask),
    )


def wants_colour(stream: IO[str], ask: Variable = variable) -> bool:
    """Only on a terminal, and not where ``NO_COLOR`` is set (no-color.org) or it is a dumb one."""
    return is_terminal(stream) and ask("NO_COLOR") is None and ask("TERM") != "dumb"


def _width(stream: IO[str], ask: Variable) -> int:
    told = ask("COLUMNS") or ""
    if told.isascii() and told.isdigit() and int(told):
        return int(told)
    if is_terminal(stream):
        try:
            return os.get_terminal_size(stream.fileno()).columns or DEFAULT_WIDTH
        except (OSError, ValueError):
            pass
    return DEFAULT_WIDTH


def _ascii_only(stream: IO[str], ask: Variable) -> bool:
    # Python writes UTF-8 in the C locale too (PEP 540); whoever set that locale wants ASCII.
    locale = next((told for name in _LOCALES if (told := ask(name))), "")
    if locale in _PLAIN_LOCALES:
        return True
    try:
        return codecs.lookup(getattr(stream, "encoding", None) or "ascii").name != "utf-8"
    except LookupError:
        return True


def stdout_look(*, all_paths: bool = False) -> Look:
    """What can be shown on standard output; ``all_paths`` lists every path of a group."""
    look = look_of(sys.stdout)
    return replace(look, most_paths=0) if all_paths else look
