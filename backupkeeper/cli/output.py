"""What goes to standard output and standard error, and how it looks there.

Promises:
1. A reader that went away (a broken pipe) is quiet, and the exit code stays what the answer was.
2. An answer that could not be written (a full disk) is an error: exit code 3, never 0.
3. Colours only on a terminal that is not dumb, and never where NO_COLOR is set
   (https://no-color.org: present and not empty).
4. Where the encoding is not UTF-8, or the locale is C, everything is ASCII.
"""

import codecs
import contextlib
import os
import sys
from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, datetime, timedelta, tzinfo
from typing import BinaryIO, TextIO

import click

from backupkeeper.core.errors import WriteError
from backupkeeper.report.lines import Line, Look, Tone
from backupkeeper.report.words import told

NARROWEST, USUAL, WIDEST = 24, 80, 110
MOST_PATHS = 10
"""Paths of one group that are listed where not all are asked for."""
_LOCALE = ("LC_ALL", "LC_CTYPE", "LANG")
_COLOURS = {Tone.GOOD: "green", Tone.BAD: "red", Tone.WARN: "yellow"}


class LocalZone(tzinfo):
    """The zone of this machine, with its summer time at each date."""

    def utcoffset(self, at: datetime | None) -> timedelta | None:
        """Offset that held here at a local time."""
        return None if at is None else at.replace(tzinfo=None).astimezone().utcoffset()

    def dst(self, at: datetime | None) -> timedelta | None:  # noqa: ARG002 - the signature of tzinfo
        """Not told apart."""
        return None

    def tzname(self, at: datetime | None) -> str | None:
        """Its short name at a local time."""
        return None if at is None else at.replace(tzinfo=None).astimezone().tzname()

    def fromutc(self, at: datetime) -> datetime:
        """Local time of a time in UTC."""
        return at.replace(tzinfo=UTC).astimezone().replace(tzinfo=self)


def is_terminal(stream: TextIO | None) -> bool:
    """Whether a person sits at the other end."""
    try:
        return stream is not None and stream.isatty()
    except ValueError:  # closed
        return False


def is_utf8(stream: TextIO | None) -> bool:
    """Whether every character can be written as it is."""
    try:
        return codecs.lookup(getattr(stream, "encoding", None) or "ascii").name == "utf-8"
    except LookupError:
        return False


def is_ascii_only(stream: TextIO | None, environ: Mapping[str, str]) -> bool:
    """Whether only ASCII can be shown: the encoding says so, or the person chose the C locale.

    Python writes UTF-8 in the C locale too (PEP 538 and 540), but who set it expects ASCII.
    """
    chosen = next((environ[name] for name in _LOCALE if environ.get(name)), "")
    return chosen in {"C", "POSIX"} or not is_utf8(stream)


def is_dumb(environ: Mapping[str, str]) -> bool:
    """Whether the terminal can neither colour nor move back."""
    return environ.get("TERM", "") in {"dumb", "unknown"}


def has_colours(stream: TextIO | None, environ: Mapping[str, str]) -> bool:
    """Whether lines may be coloured."""
    return is_terminal(stream) and not environ.get("NO_COLOR") and not is_dumb(environ)


def width_of(stream: TextIO | None, environ: Mapping[str, str]) -> int:
    """Columns: COLUMNS, else the terminal's own, else 80; within what reads well."""
    wanted = environ.get("COLUMNS", "")
    columns = int(wanted) if wanted.isascii() and wanted.isdigit() and len(wanted) < 7 else 0  # noqa: PLR2004 - no screen has a million columns
    if not columns and stream is not None and is_terminal(stream):
        with contextlib.suppress(OSError, ValueError):
            columns = os.get_terminal_size(stream.fileno()).columns
    return min(max(columns or USUAL, NARROWEST), WIDEST)


def look_of(stream: TextIO | None, environ: Mapping[str, str], *, all_paths: bool = False) -> Look:
    """What reports should look like on this stream."""
    return Look(
        width=width_of(stream, environ),
        unicode=not is_ascii_only(stream, environ),
        zone=LocalZone(),
        most_paths=0 if all_paths else MOST_PATHS,
    )


def as_text(lines: Iterable[Line], *, colours: bool) -> str:
    """Lines as text with line ends."""
    return "".join(f"{_coloured(line) if colours else line.text}\n" for line in lines)


def _coloured(line: Line) -> str:
    if not line.text:
        return ""
    if line.tone is Tone.HEAD:
        return click.style(line.text, bold=True)
    if line.tone is Tone.QUIET:
        return click.style(line.text, dim=True)
    colour = _COLOURS.get(line.tone)
    return click.style(line.text, fg=colour) if colour else line.text


def _fitting(stream: TextIO, text: str, *, ascii_only: bool = False) -> str:
    """Text that the stream's encoding holds; halves of surrogate pairs are gone before."""
    encoding = "utf-8" if is_utf8(stream) and not ascii_only else "ascii"
    return text.encode(encoding, "backslashreplace").decode(encoding)


def write_out(text: str, *, ascii_only: bool = False) -> bool:
    """Write an answer to standard output, all of it; whether anybody may still be reading.

    Args:
        text: with line ends; every path in it is escaped.
        ascii_only: write an escape for every other character.

    Raises:
        WriteError: it could not be written, for another reason than that nobody reads it.
    """
    stream = sys.stdout
    if stream is None:  # started without one: the exit code is the answer
        return False
    reads = False
    with _reader_may_leave():
        stream.write(_fitting(stream, text, ascii_only=ascii_only))
        stream.flush()
        reads = True
    return reads  # noqa: RET504 - the block ends early where the reader has left


def write_bytes_out(data: bytes) -> None:
    """Write bytes to standard output; for a terminal everything that it would obey is escaped.

    Raises:
        WriteError: they could not be written.
    """
    stream = sys.stdout
    if stream is None:
        return
    if is_terminal(stream):
        lines = data.decode("utf-8", "surrogateescape").splitlines()
        write_out("".join(f"{told(line)}\n" for line in lines))
        return
    with _reader_may_leave():
        binary: BinaryIO = stream.buffer
        binary.write(data)
        binary.flush()


@contextlib.contextmanager
def _reader_may_leave() -> Iterator[None]:
    try:
        yield
    except BrokenPipeError:
        _give_up_stdout()
    except (OSError, ValueError) as error:
        _give_up_stdout()
        raise WriteError("standard output", getattr(error, "errno", None) or 0) from error


def _give_up_stdout() -> None:
    """Let what is left in the buffer go nowhere, so that Python can't fail on it at its end.

    As Python's manual advises (module signal, "Note on SIGPIPE"); 3.11 was seen to forget it anyway.
    """
    with contextlib.suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)


def write_error(text: str) -> None:
    """Write lines to standard error, escaped; nobody listening there is no failure."""
    stream = sys.stderr
    if stream is None:
        return
    safe = "\n".join(told(line) for line in text.split("\n"))
    with contextlib.suppress(OSError, ValueError):
        stream.write(_fitting(stream, f"{safe}\n"))
        stream.flush()
