"""The process that does one deed for the daemon: ``python -m backupkeeper.worker``.

The errand comes on standard input, words go to standard output (``daemon.errand`` has both). It is
a process of its own so that a device that does not answer holds up nothing else.

Promises:
1. It ends by itself when its daemon stops it or dies, as after Ctrl-C: what is durable is recorded. One
   that can't end so within ``GRACE_S`` kills itself: the next daemon would wait for what it holds.
2. A held worker waits at the next block and keeps nothing busy.
3. Only a word of ``daemon.errand`` is written to standard output, whatever happens.
"""

import errno
import os
import signal
import sys
import threading
from time import perf_counter
from types import FrameType
from typing import IO, Final

from backupkeeper.cloud.throttle import Throttle
from backupkeeper.core.errors import BackupkeeperError, PlaceHeldError, SystemShortError
from backupkeeper.core.forming import Forming
from backupkeeper.daemon.errand import (
    HOLD,
    RESUME,
    STOP,
    Failed,
    Finished,
    Moving,
    Word,
    decode_errand,
    encode_word,
    line_told,
)
from backupkeeper.report.reasons import against
from backupkeeper.wiring import let_go_of_locks, run_errand

SECONDS_BETWEEN_WORDS: Final = 0.5
GRACE_S: Final = 2.5
"""Shorter than a daemon waits before it kills (``daemon.crew``): who is killed while a device keeps one of its
threads would hold its locks on all other places. A kill loses nothing: promise 3 of the design."""


class Reporting:
    """A Progress that tells the daemon, and waits while the daemon holds it.

    Args:
        tell: called with each word, from any thread.
        seconds: a stopwatch.
    """

    def __init__(self, tell: "Mouth") -> None:
        self._tell = tell
        self._lock = threading.Lock()
        self._go = threading.Event()
        self._go.set()
        self._what, self._path = "", ""
        self._total = self._files = self._done = self._done_files = 0
        self._forming = Forming()
        self._last = float("-inf")
        self.throttle: Throttle | None = None
        """What all that is sent to buckets passes through."""

    def hold(self, *, held: bool) -> None:
        """Let everybody wait who reports bytes, or go on; called from the listening thread."""
        if held:
            self._go.clear()
        else:
            self._go.set()
        with self._lock:
            self._word()

    def begin(self, what: str, *, total_bytes: int, total_files: int) -> None:
        """A stage begins."""
        with self._lock:
            self._what, self._path = what, ""
            self._total, self._files = total_bytes, total_files
            self._done = self._done_files = 0
            self._word()

    def file(self, path: str) -> None:
        """Work on a file begins."""
        with self._lock:
            self._path = path
            self._now_and_then()

    def advance(self, byte_count: int, *, files: int = 0) -> None:
        """So much more is done; waits here while held."""
        with self._lock:
            self._done += byte_count
            self._done_files += files
            self._now_and_then()
        self._go.wait()

    def forming(self, forming: Forming) -> None:
        """A verdict forms: one more file was read."""
        with self._lock:
            self._forming = forming
            self._now_and_then()

    def note(self, text: str) -> None:
        """What is told to a person elsewhere has no reader here."""

    def end(self) -> None:
        """The last stage is over."""
        with self._lock:
            self._word()

    def _now_and_then(self) -> None:
        if perf_counter() - self._last >= SECONDS_BETWEEN_WORDS:
            self._word()

    def _word(self) -> None:
        self._last = perf_counter()
        self._tell.say(
            Moving(
                what=self._what,
                bytes_done=self._done,
                bytes_total=self._total,
                files_done=self._done_files,
                files_total=self._files,
                path=self._path,
                held=not self._go.is_set(),
                sent_bytes=self.throttle.passed_bytes if self.throttle is not None else 0,
                proven_files=self._forming.proven_files,
                against_files=self._forming.against_files,
                against=tuple(map(against, self._forming.against)),
            )
        )


class Mouth:
    """Whole lines to standard output, from any thread; a daemon that is gone hears nothing."""

    def __init__(self, stream: IO[bytes]) -> None:
        self._stream = stream
        self._lock = threading.Lock()

    def say(self, word: Word) -> None:
        """Say one word."""
        with self._lock:
            try:
                self._stream.write(encode_word(word))
                self._stream.flush()
            except (OSError, ValueError):
                return


def _stopped(_number: int, _frame: FrameType | None) -> None:
    raise KeyboardInterrupt


class Allowance:
    """How much of the line may be taken, as the daemon told it last: a law of ``cloud.throttle``."""

    def __init__(self, bytes_a_second: float | None) -> None:
        self.bytes_a_second = bytes_a_second

    def __call__(self) -> float | None:
        """Bytes a second that may pass now; None: all, 0: none."""
        return self.bytes_a_second


def listen(
    stream: IO[bytes], reporting: Reporting, allowance: Allowance, *, grace_s: float = GRACE_S
) -> None:
    """Commands of the daemon; the end of them is a stop, and ``grace_s`` seconds later a kill."""
    while True:
        line = stream.readline(100).decode("ascii", "replace").strip()
        if line == HOLD:
            reporting.hold(held=True)
        elif line == RESUME:
            reporting.hold(held=False)
        elif (told := line_told(line)) is not None:
            allowance.bytes_a_second = told[0]
        elif line in {STOP, ""}:
            os.kill(os.getpid(), signal.SIGTERM)
            reporting.hold(held=False)  # threads that wait must end too
            threading.Event().wait(grace_s)
            let_go_of_locks()
            os.kill(os.getpid(), signal.SIGKILL)


def main() -> int:
    """Do one errand; 0 where a word about its end was said."""
    # What is printed by accident must not be taken for a word.
    words = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    mouth = Mouth(words)
    reporting = Reporting(mouth)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        errand = decode_errand(sys.stdin.buffer.readline())
        signal.signal(signal.SIGTERM, _stopped)
        allowance = Allowance(errand.line)
        listener = threading.Thread(
            target=listen, args=(sys.stdin.buffer, reporting, allowance), daemon=True
        )
        listener.start()
        reporting.throttle = Throttle(allowance, seconds=perf_counter)
        came: Finished | Failed = run_errand(
            errand,
            os.environ,  # noqa: TID251 - read once, handed on
            reporting,
            reporting.throttle,
            reporting.forming,
        )
        signal.signal(signal.SIGTERM, signal.SIG_IGN)
    except KeyboardInterrupt:
        came = Failed(error="stopped", message="Stopped.")
    except BackupkeeperError as error:
        held_by = error.process if isinstance(error, PlaceHeldError) else None
        came = Failed(
            error=type(error).__name__, message=error.message, advice=error.advice, process=held_by
        )
    except MemoryError:
        short = SystemShortError("The rest", errno.ENOMEM)
        came = Failed(error="SystemShortError", message=short.message, advice=short.advice)
    except Exception as error:  # noqa: BLE001 - the daemon must hear of it, whatever it is
        sys.excepthook(type(error), error, error.__traceback__)
        told = f"{type(error).__name__}: {error}"
        came = Failed(error="BrokenPromiseError", message=f"This should not happen: {told}")
    mouth.say(came)
    sys.stderr.flush()
    os._exit(0)  # the listening thread may sit in a read for ever


if __name__ == "__main__":
    main()
