"""How far long work is, on standard error: a bar on a terminal, plain lines elsewhere.

Promises:
1. Bytes, rate, time left and the current file; a plain line at most every ten seconds.
2. Nothing is shown with ``--json`` unless standard error is a terminal.
3. Time is handed in, and calls may come from several threads.
"""

import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import IO

from rich.console import Console
from rich.progress import Progress as Bar, ProgressColumn, Task
from rich.text import Text

from backupkeeper.cli.keeper import Keeper
from backupkeeper.cli.output import fitting
from backupkeeper.cli.screen import is_terminal
from backupkeeper.ports.progress import Progress, Quiet
from backupkeeper.report.words import duration, plural, rate, size, told

SECONDS_BETWEEN_LINES = 10.0
SECONDS_BEFORE_RATE = 1.0
_BAR_CELLS = 16


@dataclass(kw_only=True, slots=True)
class Tally:
    """One stage of work: how much of it is done, and how fast."""

    what: str
    total_bytes: int
    total_files: int
    begun: float
    bytes: int = 0
    files: int = 0
    current: str = ""

    def share(self) -> float:
        """Part that is done, 0 to 1."""
        if not self.total_bytes:
            return 1.0
        return min(1.0, self.bytes / self.total_bytes)

    def in_words(self, now: float) -> str:
        """Bytes, rate and time left."""
        parts = [f"{size(self.bytes)} of {size(self.total_bytes)}"]
        passed = now - self.begun
        if passed >= SECONDS_BEFORE_RATE and self.bytes:
            pace = self.bytes / passed
            left = max(0, self.total_bytes - self.bytes) / pace
            parts += [rate(pace), f"{duration(left)} left"]
        return ", ".join(parts)


class PlainLines:
    """A Progress for logs and pipes."""

    def __init__(self, stream: IO[str], now: Callable[[], float]) -> None:
        self._stream, self._now = stream, now
        self._lock = threading.RLock()
        self._tally: Tally | None = None
        self._last: float | None = None

    def begin(self, what: str, *, total_bytes: int, total_files: int) -> None:
        """A stage starts."""
        with self._lock:
            now = self._now()
            self._tally = Tally(
                what=what, total_bytes=total_bytes, total_files=total_files, begun=now
            )
            if total_files and self._due(now):
                self._say(f"{what}: {plural(total_files, 'file')}, {size(total_bytes)}", now)

    def file(self, path: str) -> None:
        """Work on a file starts."""
        with self._lock:
            if self._tally is not None:
                self._tally.current = path

    def advance(self, byte_count: int, *, files: int = 0) -> None:
        """So much more is done."""
        with self._lock:
            if self._tally is None:
                return
            self._tally.bytes += byte_count
            self._tally.files += files
            now = self._now()
            if self._due(now):
                line = f"{self._tally.what}: {self._tally.in_words(now)}"
                self._say(f"{line}; {self._tally.current}" if self._tally.current else line, now)

    def note(self, text: str) -> None:
        """Something worth a line of its own."""
        with self._lock:
            self._write(text)

    def end(self) -> None:
        """The last stage is over."""
        with self._lock:
            self._tally = None

    def _due(self, now: float) -> bool:
        return self._last is None or now - self._last >= SECONDS_BETWEEN_LINES

    def _say(self, text: str, now: float) -> None:
        self._last = now
        self._write(text)

    def _write(self, text: str) -> None:
        with suppress(OSError, ValueError):  # nobody listens: the work goes on
            self._stream.write(fitting(told(text), self._stream) + "\n")
            self._stream.flush()


class _Told(ProgressColumn):
    """Everything about the stage in one line, cut to the width."""

    def __init__(self, tell: Callable[[], str]) -> None:
        super().__init__()
        self._tell = tell

    def render(self, task: Task) -> Text:
        """The line as it is now."""
        del task  # the Tally knows more
        return Text(self._tell(), no_wrap=True, overflow="ellipsis", end="")


class TerminalBar:
    """A Progress for a person who looks on. ``close`` takes it off the screen."""

    def __init__(self, stream: IO[str], now: Callable[[], float]) -> None:
        self._stream, self._now = stream, now
        self._lock = threading.RLock()
        self._tally: Tally | None = None
        console = Console(file=stream, highlight=False, markup=False, emoji=False)
        self._bar = Bar(_Told(self.line), console=console, transient=True, refresh_per_second=5)
        self._bar.add_task("")

    def line(self) -> str:
        """What stands on the screen now."""
        with self._lock:
            tally = self._tally
            if tally is None:
                return ""
            full = round(tally.share() * _BAR_CELLS)
            drawn = "=" * full + "." * (_BAR_CELLS - full)
            # The share is cut, not rounded: 100 % means all.
            line = (
                f"{drawn} {int(tally.share() * 100)} % {tally.what}: {tally.in_words(self._now())}"
            )
            if tally.current:
                line += f"; {tally.current.rpartition('/')[2]}"
            return fitting(told(line), self._stream)

    def begin(self, what: str, *, total_bytes: int, total_files: int) -> None:
        """A stage starts."""
        with self._lock:
            self._tally = Tally(
                what=what, total_bytes=total_bytes, total_files=total_files, begun=self._now()
            )
        self._bar.start()

    def file(self, path: str) -> None:
        """Work on a file starts."""
        with self._lock:
            if self._tally is not None:
                self._tally.current = path

    def advance(self, byte_count: int, *, files: int = 0) -> None:
        """So much more is done."""
        with self._lock:
            if self._tally is not None:
                self._tally.bytes += byte_count
                self._tally.files += files

    def note(self, text: str) -> None:
        """Something worth a line of its own, above the bar."""
        self._bar.console.print(Text(fitting(told(text), self._stream)))

    def end(self) -> None:
        """The last stage is over."""
        self.close()

    def close(self) -> None:
        """Take the bar off the screen."""
        with self._lock:
            self._tally = None
        self._bar.stop()


@contextmanager
def progress_for(keeper: Keeper, *, json: bool) -> Iterator[Progress]:
    """The Progress that fits this process's standard error; off the screen at the end."""
    stream = sys.stderr
    if is_terminal(stream):
        bar = TerminalBar(stream, keeper.monotonic)
        try:
            yield bar
        finally:
            bar.close()
    elif json:
        yield Quiet()
    else:
        yield PlainLines(stream, keeper.monotonic)
