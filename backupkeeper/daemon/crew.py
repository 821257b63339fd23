"""Workers: one process for each deed, so that a dying disk never holds up the daemon.

Promises:
1. ``start``, ``hold``, ``limit`` and ``stop`` return at once, whatever the worker does.
2. Every worker that was started comes to exactly one ``Ended``, even one that was killed or that
   the system keeps in an endless read (then ``lost`` says so: its process is left behind).
3. A stop is asked for first (like Ctrl-C: facts so far are kept); three seconds later it is a kill,
   which harms nothing (promise 3 of the design), two seconds later the worker is given up.
4. When the daemon dies its workers see the end of their input and stop by themselves.
5. Whom a device has kept in one single wait for ``STUCK_S`` is told by ``stuck``. A mount that still keeps an
   earlier look is not looked at again: each would be left behind too.
"""

import subprocess
import sys
import threading
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import IO, Final, Protocol

from backupkeeper.core.errors import ListingError
from backupkeeper.core.waits import Waits
from backupkeeper.daemon.errand import (
    HOLD,
    MOST_LINE_BYTES,
    RESUME,
    STOP,
    Errand,
    Failed,
    Finished,
    Moving,
    decode_word,
    encode_errand,
    line_command,
)
from backupkeeper.ports.waiting import Wait, Waiting

WORKER: Final = (sys.executable, "-P", "-m", "backupkeeper.worker")
KILL_AFTER_S: Final = 3.0
GIVE_UP_AFTER_S: Final = 2.0
STUCK_S: Final = 300.0
"""Longer than the system itself tries: a command to a disk has 30 s and is given five times more (scsi, from
memory); the kernel calls a task hung after 120 s (``kernel.hung_task_timeout_secs``)."""
LOOKS_S: Final = 5.0
"""How often it is looked who waits."""
_MOST_ERROR_TEXT: Final = 2000


@dataclass(frozen=True, kw_only=True, slots=True)
class Moved:
    """A worker told how far it is."""

    key: str
    moving: Moving


@dataclass(frozen=True, kw_only=True, slots=True)
class Ended:
    """A worker came to its end. ``lost``: it could not be ended and was left behind."""

    key: str
    came: Finished | Failed
    lost: bool = False


News = Moved | Ended


class Crew(Protocol):
    """Who does the deeds; tests have one that does them at once."""

    def start(self, key: str, errand: Errand) -> None:
        """Send a worker out. News of it come through the callback that the crew was made with."""
        ...

    def hold(self, key: str, *, held: bool) -> None:
        """Have it wait at the next block, or go on."""
        ...

    def limit(self, key: str, bytes_a_second: float | None) -> None:
        """Have it send no faster from now on; None: as fast as it goes, 0: not at all."""
        ...

    def stop(self, key: str) -> None:
        """Ask it to end; again is no harm."""
        ...

    def tend(self) -> float | None:
        """Kill and give up what was asked to stop long ago; seconds until the next such moment."""
        ...

    def stuck(self) -> Mapping[str, str]:
        """Workers that a device has not answered for ``STUCK_S``, with the file that it is about ("": unknown)."""
        ...

    def processes(self) -> frozenset[int]:
        """Process ids at work now."""
        ...

    def end(self) -> None:
        """Stop everybody; back within five seconds."""
        ...


@dataclass(kw_only=True)
class _Worker:
    key: str
    process: subprocess.Popen[bytes]
    reader: threading.Thread
    is_look: bool
    said: Finished | Failed | None = None
    told: list[bytes] = field(default_factory=list)
    asked_at: float | None = None
    killed_at: float | None = None
    waits: Waits = field(default_factory=Waits)


def _nobody_waits(_process: int) -> Mapping[int, Wait]:
    return {}


class Processes:
    """``Crew`` on real processes.

    Args:
        post: called with news, from threads of the crew's own.
        seconds: a stopwatch.
        command: what starts a worker (tests name another).
        waiting: tells which threads of a process wait for a device.
    """

    def __init__(
        self,
        post: Callable[[News], None],
        *,
        seconds: Callable[[], float],
        command: Sequence[str] = WORKER,
        waiting: Waiting = _nobody_waits,
    ) -> None:
        self._post = post
        self._seconds = seconds
        self._command = tuple(command)
        self._lock = threading.Lock()
        self._workers: dict[str, _Worker] = {}
        self._waiting = waiting
        self._looked_at = float("-inf")
        self._left: dict[str, subprocess.Popen[bytes]] = {}
        """Looks that could not be ended."""

    def start(self, key: str, errand: Errand) -> None:
        """Send a worker out."""
        left = self._left.pop(key, None)
        if left is not None and left.poll() is None:
            self._left[key] = left
            self._post(
                Ended(key=key, came=Failed(error="stopped", message=_waits(left)), lost=True)
            )
            return
        try:
            process = subprocess.Popen(  # noqa: S603 - our own interpreter and module
                self._command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                start_new_session=True,  # Ctrl-C is the daemon's to hear
            )
        except OSError as error:
            self._post(Ended(key=key, came=Failed(error="OSError", message=_no_process(error))))
            return
        worker = _Worker(
            key=key,
            process=process,
            reader=threading.current_thread(),
            is_look=errand.deed is None and not errand.weekly,
        )
        worker.reader = threading.Thread(
            target=self._listen, args=(worker,), name=f"worker {process.pid}", daemon=True
        )
        with self._lock:
            self._workers[key] = worker
        self._say(worker, encode_errand(errand))
        worker.reader.start()

    def hold(self, key: str, *, held: bool) -> None:
        """Have it wait at the next block, or go on."""
        if (worker := self._worker(key)) is not None:
            self._say(worker, f"{HOLD if held else RESUME}\n".encode())

    def limit(self, key: str, bytes_a_second: float | None) -> None:
        """Have it send no faster from now on."""
        if (worker := self._worker(key)) is not None:
            self._say(worker, f"{line_command(bytes_a_second)}\n".encode())

    def stop(self, key: str) -> None:
        """Ask it to end."""
        worker = self._worker(key)
        if worker is not None and worker.asked_at is None:
            worker.asked_at = self._seconds()
            self._say(worker, f"{STOP}\n".encode())

    def tend(self) -> float | None:
        """Kill and give up what was asked to stop long ago; seconds until the next such moment."""
        now, soonest = self._seconds(), None
        with self._lock:
            workers = list(self._workers.values())
        for worker in workers:
            if worker.asked_at is None:
                continue
            left = worker.asked_at + KILL_AFTER_S - now
            if worker.killed_at is not None:
                left = worker.killed_at + GIVE_UP_AFTER_S - now
                if left <= 0:
                    self._give_up(worker)
                    continue
            elif left <= 0:
                worker.process.kill()
                worker.killed_at, left = now, GIVE_UP_AFTER_S
            soonest = left if soonest is None else min(soonest, left)
        return soonest

    def stuck(self) -> Mapping[str, str]:
        """Workers that a device does not answer, with the file that it is about."""
        now = self._seconds()
        with self._lock:
            workers = list(self._workers.values())
        if now - self._looked_at >= LOOKS_S:
            self._looked_at = now
            for worker in workers:
                found = self._waiting(worker.process.pid)
                worker.waits.look({n: (one.woken, one.path) for n, one in found.items()}, now)
        longest = ((worker, *worker.waits.longest(now)) for worker in workers)
        return {worker.key: path for worker, waited, path in longest if waited >= STUCK_S}

    def processes(self) -> frozenset[int]:
        """Process ids at work now."""
        with self._lock:
            return frozenset(worker.process.pid for worker in self._workers.values())

    def end(self) -> None:
        """Stop everybody; back within five seconds."""
        with self._lock:
            workers = list(self._workers.values())
        for worker in workers:
            self.stop(worker.key)
        until = self._seconds() + KILL_AFTER_S
        for worker in workers:
            worker.reader.join(max(0.0, until - self._seconds()))
        for worker in workers:
            if worker.reader.is_alive():
                worker.process.kill()
        until = self._seconds() + 1.0
        for worker in workers:
            worker.reader.join(max(0.0, until - self._seconds()))

    def _worker(self, key: str) -> _Worker | None:
        with self._lock:
            return self._workers.get(key)

    def _say(self, worker: _Worker, line: bytes) -> None:
        # A worker that has just died hears nothing: its end is told by the reader.
        with suppress(OSError, ValueError):
            pipe = _stream(worker.process.stdin)
            pipe.write(line)
            pipe.flush()

    def _listen(self, worker: _Worker) -> None:
        """The worker's own thread: its lines, then its end."""
        errors = threading.Thread(target=_gather, args=(worker,), daemon=True)
        errors.start()
        with suppress(OSError, ValueError):
            while line := _stream(worker.process.stdout).readline(MOST_LINE_BYTES):
                self._hear(worker, line)
        code = worker.process.wait()
        errors.join(1.0)
        for stream in (worker.process.stdin, worker.process.stdout, worker.process.stderr):
            with suppress(OSError, ValueError):
                _stream(stream).close()
        with self._lock:
            known = self._workers.get(worker.key) is worker
            if known:
                del self._workers[worker.key]
        if known:
            self._post(Ended(key=worker.key, came=worker.said or _silent(worker, code)))

    def _hear(self, worker: _Worker, line: bytes) -> None:
        try:
            word = decode_word(line)
        except ListingError as error:
            worker.said = Failed(error="ListingError", message=error.message)
            worker.process.kill()
            return
        if isinstance(word, Moving):
            self._post(Moved(key=worker.key, moving=word))
        else:
            worker.said = word

    def _give_up(self, worker: _Worker) -> None:
        with self._lock:
            if self._workers.pop(worker.key, None) is None:
                return
        if worker.is_look:
            self._left[worker.key] = worker.process
        message = _waits(worker.process)
        self._post(Ended(key=worker.key, came=Failed(error="stopped", message=message), lost=True))


def _waits(process: "subprocess.Popen[bytes]") -> str:
    return f"Process {process.pid} does not end: the system waits for its device."


def _stream(stream: IO[bytes] | None) -> IO[bytes]:
    if stream is None:
        raise ValueError("no pipe")
    return stream


def _gather(worker: _Worker) -> None:
    """Take in what a worker writes to its standard error, the end of it: a traceback, if anything."""
    with suppress(OSError, ValueError):
        while piece := _stream(worker.process.stderr).read(_MOST_ERROR_TEXT):
            worker.told = [b"".join([*worker.told, piece])[-_MOST_ERROR_TEXT:]]


def _silent(worker: _Worker, code: int) -> Failed:
    if worker.asked_at is not None:
        return Failed(error="stopped", message="Stopped.")
    told = b"".join(worker.told).decode("utf-8", "replace").strip().splitlines()
    why = f" ({told[-1]})" if told else ""
    return Failed(
        error="BrokenPromiseError", message=f"A worker ended with code {code} and no word{why}."
    )


def _no_process(error: OSError) -> str:
    return f"No worker could be started ({error.strerror})."
