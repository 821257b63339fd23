"""The daemon's log: one line an action, a sentence for a person and fields for a program.

Promises:
1. Nothing secret is written: a field whose name looks like a secret's is a mistake of ours and is
   refused. Names from cards can't forge lines: they are escaped.
2. Writing the log never stops the work.
"""

import json
import logging
import logging.handlers
import os
import re
import socket
import sys
from collections.abc import Mapping
from contextlib import suppress
from io import TextIOWrapper
from typing import Final, Protocol, TextIO

from backupkeeper.core.errors import BrokenPromiseError
from backupkeeper.ports.clock import Clock
from backupkeeper.report.words import told

JOURNAL: Final = "/run/systemd/journal/socket"
_SECRET: Final = re.compile(r"pass|secret|token|credential|key_?id|access", re.IGNORECASE)
_FIELD: Final = re.compile(r"[a-z][a-z0-9_]{0,40}")
_URGENT, _ORDINARY = 4, 6
"""syslog's warning and information (RFC 5424, section 6.2.1)."""
Value = str | int | float | bool | None


class Sink(Protocol):
    """Where lines go."""

    def write(self, message: str, *, urgent: bool, fields: Mapping[str, Value]) -> None:
        """Write one."""
        ...


class Log:
    """What the daemon writes to."""

    def __init__(self, sink: Sink) -> None:
        self._sink = sink

    def note(self, message: str, /, *, urgent: bool = False, **fields: Value) -> None:
        """One line.

        Args:
            message: a sentence.
            urgent: whether a person should see it.
            fields: lower-case names with values for programs; empty ones are left out.

        Raises:
            BrokenPromiseError: a field's name can't be right, or looks like a secret's.
        """
        for name in fields:
            if not _FIELD.fullmatch(name) or _SECRET.search(name):
                raise BrokenPromiseError(f"The log was given a field called {name}.")
        kept = {name: value for name, value in fields.items() if value not in ("", None)}
        with suppress(OSError, ValueError):
            self._sink.write(told(message), urgent=urgent, fields=kept)


class StreamSink:
    """Plain lines, for a person at a terminal."""

    def __init__(self, stream: TextIO, clock: Clock) -> None:
        self._stream = stream
        self._clock = clock

    def write(
        self,
        message: str,
        *,
        urgent: bool,
        fields: Mapping[str, Value],  # noqa: ARG002 - a person reads the sentence
    ) -> None:
        """Write one line."""
        at = self._clock.now().astimezone().strftime("%Y-%m-%d %H:%M:%S")
        mark = "! " if urgent else ""
        line = f"{at} {mark}{message}\n"
        self._stream.write(line.encode("utf-8", "backslashreplace").decode("utf-8"))
        self._stream.flush()


class _PrivateFiles(logging.handlers.RotatingFileHandler):
    """Files for their owner alone, also the ones that it begins when it turns over."""

    def _open(self) -> TextIOWrapper:
        def opener(path: str, flags: int) -> int:
            return os.open(path, flags, 0o600)

        return open(self.baseFilename, "a", encoding=self.encoding, opener=opener)


class FileSink:
    """Lines of JSON in a file that is turned over when it is large; for its owner alone."""

    def __init__(self, path: str, *, size_mb: int, keep: int, clock: Clock) -> None:
        self._clock = clock
        os.makedirs(os.path.dirname(path), mode=0o700, exist_ok=True)
        self._handler = _PrivateFiles(
            path, maxBytes=size_mb * 1_000_000, backupCount=keep, encoding="ascii", delay=True
        )
        self._handler.setFormatter(logging.Formatter("%(message)s"))

    def write(self, message: str, *, urgent: bool, fields: Mapping[str, Value]) -> None:
        """Write one line."""
        line = {
            "at": self._clock.now().isoformat(),
            "level": "warning" if urgent else "info",
            "message": message,
            **fields,
        }
        record = logging.LogRecord(
            "backupkeeper", logging.INFO, "", 0, json.dumps(line, ensure_ascii=True), None, None
        )
        self._handler.emit(record)

    def close(self) -> None:
        """Close the file."""
        self._handler.close()


class JournalSink:
    """systemd's journal, by its native protocol (systemd, "Native Journal Protocol").

    A datagram of ``NAME=value`` lines; a value with a newline stands behind its name's line as its
    length (64 bits, little-endian) and its bytes.
    """

    def __init__(self, path: str = JOURNAL) -> None:
        self._path = path

    def write(self, message: str, *, urgent: bool, fields: Mapping[str, Value]) -> None:
        """Write one entry."""
        entry = {
            "MESSAGE": message,
            "PRIORITY": str(_URGENT if urgent else _ORDINARY),
            "SYSLOG_IDENTIFIER": "backupkeeper",
            **{f"BACKUPKEEPER_{name.upper()}": str(value) for name, value in fields.items()},
        }
        data = b"".join(_journal_field(name, value) for name, value in entry.items())
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as line:
            line.settimeout(1.0)
            line.sendto(data, self._path)


def _journal_field(name: str, value: str) -> bytes:
    data = value.encode("utf-8", "surrogateescape")
    if b"\n" not in data:
        return name.encode("ascii") + b"=" + data + b"\n"
    return name.encode("ascii") + b"\n" + len(data).to_bytes(8, "little") + data + b"\n"


def sink_for(
    environ: Mapping[str, str], *, file: str, size_mb: int, keep: int, clock: Clock
) -> Sink:
    """The file where one is named; the journal where standard error leads there; else the latter.

    Args:
        environ: ``JOURNAL_STREAM`` says which device and inode standard error has under systemd.
        file: absolute; empty: none.
        size_mb: when it is turned over.
        keep: how many old ones are kept.
        clock: for lines that carry their own time.
    """
    if file:
        return FileSink(file, size_mb=size_mb, keep=keep, clock=clock)
    if _leads_to_journal(environ.get("JOURNAL_STREAM", "")):
        return JournalSink()
    return StreamSink(sys.stderr, clock)


def _leads_to_journal(stream: str) -> bool:
    try:
        found = os.fstat(sys.stderr.fileno())
    except (OSError, ValueError, AttributeError):
        return False
    return stream == f"{found.st_dev}:{found.st_ino}"
