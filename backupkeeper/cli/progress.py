"""How far a long deed is: a moving bar on a terminal, a line now and then elsewhere.

Promises:
1. Everything goes to standard error, so that standard output holds the answer alone.
2. Telling never stops the work: an error on the way to the person is swallowed.
3. Paths are escaped; no bar where the terminal can't move back.
"""

import contextlib
import sys
import threading
from collections.abc import Callable, Iterator, Mapping
from typing import TYPE_CHECKING, TextIO

from backupkeeper.cli.output import (
    has_colours,
    is_ascii_only,
    is_dumb,
    is_terminal,
    is_utf8,
    width_of,
)
from backupkeeper.ports.progress import Progress, Quiet
from backupkeeper.report.words import cells, count, duration, plural, rate, shown, size, told

if TYPE_CHECKING:
    from rich.progress import Progress as Bar, Task, TaskID
    from rich.text import Text

SECONDS_BETWEEN_LINES = 10.0
_BAR_CELLS, _SHORT_BAR_CELLS = 16, 6
_NARROW = 40
_RATE_AFTER_S = 1.0


class Deaf:
    """A stream that swallows every failure to write."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self.encoding = stream.encoding

    def write(self, text: str) -> int:
        """Write what can be written."""
        encoding = "utf-8" if is_utf8(self._stream) else "ascii"
        with contextlib.suppress(OSError, ValueError):
            self._stream.write(text.encode(encoding, "backslashreplace").decode(encoding))
        return len(text)

    def flush(self) -> None:
        """Flush what can be flushed."""
        with contextlib.suppress(OSError, ValueError):
            self._stream.flush()

    def isatty(self) -> bool:
        """Whether a person sits there."""
        return is_terminal(self._stream)

    def fileno(self) -> int:
        """The file descriptor."""
        return self._stream.fileno()


class PlainLines:
    """A line when a stage begins and then one every ten seconds at most."""

    def __init__(self, write: Callable[[str], object], seconds: Callable[[], float]) -> None:
        self._write = write
        self._seconds = seconds
        self._lock = threading.Lock()
        self._last: float | None = None
        self._what = ""
        self._path = ""
        self._total = self._files = self._done = self._done_files = 0
        self._began = 0.0

    def begin(self, what: str, *, total_bytes: int, total_files: int) -> None:
        """Start a stage."""
        with self._lock:
            self._what, self._path = told(what), ""
            self._total, self._files = total_bytes, total_files
            self._done = self._done_files = 0
            self._began = self._seconds()
            if self._is_time():
                parts = [plural(total_files, "file")] if total_files else []
                parts += [size(total_bytes)] if total_bytes else []
                self._line(": ".join([self._what, ", ".join(parts)] if parts else [self._what]))

    def file(self, path: str) -> None:
        """Remember which file it is."""
        with self._lock:
            self._path = shown(path)

    def advance(self, byte_count: int, *, files: int = 0) -> None:
        """Count, and tell if it is time to."""
        with self._lock:
            self._done += byte_count
            self._done_files += files
            if self._what and self._is_time():  # nothing to tell before a stage began
                self._line(self._state())

    def note(self, text: str) -> None:
        """Tell at once."""
        with self._lock:
            self._line(told(text))

    def end(self) -> None:
        """Nothing is left open."""

    def _is_time(self) -> bool:
        return self._last is None or self._seconds() - self._last >= SECONDS_BETWEEN_LINES

    def _line(self, text: str) -> None:
        self._last = self._seconds()
        self._write(f"{text}\n")

    def _state(self) -> str:
        passed = self._seconds() - self._began
        parts = [f"{size(self._done)} of {size(self._total)}"] if self._total else []
        if passed >= _RATE_AFTER_S and self._done:
            pace = self._done / passed
            parts.append(rate(pace))
            if self._done < self._total:
                parts.append(f"{duration((self._total - self._done) / pace)} left")
        parts += [_so_far(self._done_files, self._files)] if self._files or not parts else []
        if self._path:
            parts.append(self._path)
        return f"{self._what}: {', '.join(parts)}"


def _so_far(done: int, files: int) -> str:
    """How many files of how many; a stage may not know how many there will be."""
    return f"{count(done)} of {plural(files, 'file')}" if files else plural(done, "file")


class MovingBar:
    """One line that moves, and the file under way below it."""

    def __init__(self, bar: "Bar", width: int) -> None:
        self._bar = bar
        self._width = width
        self._task: TaskID | None = None
        self._files = self._done_files = 0
        self._by_files = False
        """The stage has no bytes to count: its files say how far it is."""

    def begin(self, what: str, *, total_bytes: int, total_files: int) -> None:
        """Start a stage in place of the last one."""
        self._clear()
        self._files, self._done_files = total_files, 0
        self._by_files = not total_bytes
        self._task = self._bar.add_task(
            told(what),
            total=total_bytes or total_files,
            path="",
            files=_so_far(0, total_files) if total_files else "",
            by_files=self._by_files,
        )

    def file(self, path: str) -> None:
        """Show which file it is."""
        if self._task is not None:
            self._bar.update(self._task, path=_end_of(shown(path), self._width - 4))

    def advance(self, byte_count: int, *, files: int = 0) -> None:
        """Move on."""
        if self._task is not None:
            self._done_files += files
            told_files = _so_far(self._done_files, self._files)
            done = files if self._by_files else byte_count
            self._bar.update(self._task, advance=done, files=told_files)

    def note(self, text: str) -> None:
        """A line above the bar, which stays."""
        self._bar.console.print(told(text), markup=False, highlight=False)

    def end(self) -> None:
        """Take the bar away: the report says what came of it."""
        self._clear()

    def _clear(self) -> None:
        if self._task is not None:
            self._bar.remove_task(self._task)
            self._task = None


def _end_of(path: str, width: int) -> str:
    """The end of a path, which tells more than its beginning, in so many columns."""
    if cells(path) <= width:
        return path
    short = path
    while short and cells(short) > width - 3:
        short = short[1:]
    return f"...{short}"


def _moving_bar(stream: TextIO, environ: Mapping[str, str]) -> "Bar":
    # rich takes a tenth of a second to load: only where a bar is shown.
    from rich.console import Console  # noqa: PLC0415
    from rich.progress import Progress as RichProgress, ProgressColumn  # noqa: PLC0415
    from rich.text import Text  # noqa: PLC0415

    full, empty = ("#", ".") if is_ascii_only(stream, environ) else ("■", "□")
    columns = width_of(stream, environ)
    length = _SHORT_BAR_CELLS if columns < _NARROW else _BAR_CELLS

    class State(ProgressColumn):
        """Three lines: what; how far, how fast, how long; which file."""

        max_refresh: float | None = 0.2

        def render(self, task: "Task") -> "Text":
            total = task.total or 0
            part = min(1.0, task.completed / total) if total else 1.0
            filled = int(part * length)
            bar = full * filled + empty * (length - filled)
            counted = "" if task.fields["by_files"] else f" {size(task.completed)} of {size(total)}"
            told_parts = [f"{bar}{counted}"]
            if task.speed and counted:
                told_parts.append(rate(task.speed))
            if task.time_remaining:
                told_parts.append(f"{duration(task.time_remaining)} left")
            told_parts.append(task.fields["files"])
            lines = [task.description, *_rows(told_parts, columns - 3), task.fields["path"]]
            return Text("\n  ".join(lines), no_wrap=True, overflow="crop")

    console = Console(
        file=Deaf(stream),  # type: ignore[arg-type]  # has all that rich uses of a stream
        force_terminal=True,
        width=columns,
        color_system="standard" if has_colours(stream, environ) else None,
        legacy_windows=False,
        _environ=environ,
    )
    return RichProgress(
        State(), console=console, transient=True, redirect_stdout=False, redirect_stderr=False
    )


def _rows(parts: list[str], width: int) -> list[str]:
    """Parts joined by commas, in as few rows as the width allows."""
    rows: list[str] = []
    for part in parts:
        if rows and cells(rows[-1]) + 2 + cells(part) <= width:
            rows[-1] += f", {part}"
        else:
            rows.append(part)
    return rows


@contextlib.contextmanager
def telling(
    environ: Mapping[str, str], seconds: Callable[[], float], *, as_json: bool
) -> Iterator[Progress]:
    """The way to tell a person how far it is that fits standard error.

    Args:
        environ: TERM, NO_COLOR and COLUMNS are looked at.
        seconds: a stopwatch.
        as_json: a program reads the answer: then lines are not wanted, a bar for a person is.
    """
    stream = sys.stderr
    if stream is None or (as_json and not is_terminal(stream)):
        yield Quiet()
    elif is_terminal(stream) and not is_dumb(environ):
        with _moving_bar(stream, environ) as bar:
            yield MovingBar(bar, width_of(stream, environ))
    else:
        deaf = Deaf(stream)

        def write(text: str) -> None:
            deaf.write(text)
            deaf.flush()

        yield PlainLines(write, seconds)
