"""Several files at once, where they come from several places: one lane for each place.

Promises:
1. Only the caller's own thread touches the catalog, tells progress and gets the results.
2. However it ends, files under way are abandoned within a block, and threads are waited for.
3. What ends the whole work (no room, the drive gone) ends all lanes.
"""

import queue
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

from backupkeeper.ports.progress import Progress
from backupkeeper.transfer.ring import AbandonedError

_LOOK_UP_S = 0.1
_PATIENCE_S = 5.0
"""How long threads may take to end after a stop; one that is stuck in the network is left behind."""
_T = TypeVar("_T")
_R = TypeVar("_R")


@dataclass(frozen=True, kw_only=True, slots=True)
class Lane(Generic[_T]):
    """Work that is done so many at a time."""

    tasks: Sequence[_T]
    at_once: int


class Hands:
    """What a worker is handed: where to tell bytes, and whether to stop."""

    def __init__(self, events: "queue.SimpleQueue[_Event]", halted: threading.Event) -> None:
        self._events = events
        self._halted = halted

    def on_bytes(self, byte_count: int) -> None:
        """So many more bytes were gone through."""
        self._events.put(_Moved(byte_count))

    def stopped(self) -> bool:
        """Whether the work is to end."""
        return self._halted.is_set()


@dataclass(frozen=True, slots=True)
class _Moved:
    byte_count: int

    def tell(self, progress: Progress) -> None:
        progress.advance(self.byte_count)


@dataclass(frozen=True, slots=True)
class _Begun:
    name: str

    def tell(self, progress: Progress) -> None:
        progress.file(self.name)


@dataclass(frozen=True, slots=True)
class _Done:
    result: object


@dataclass(frozen=True, slots=True)
class _Ended:
    crash: BaseException | None = None


_Event = _Moved | _Begun | _Done | _Ended


def work_off(
    lanes: Sequence[Lane[_T]],
    work: Callable[[_T, Hands], _R],
    progress: Progress,
    *,
    name: Callable[[_T], str],
) -> Iterator[_R]:
    """Do all of it; give out results as they come, in no order.

    Args:
        lanes: what is to be done.
        work: does one; called in several threads. What it raises ends everything and leaves here.
        progress: told of bytes, and of each file that is begun and done.
        name: what a task is called.
    """
    events: queue.SimpleQueue[_Event] = queue.SimpleQueue()
    halted = threading.Event()
    threads = _started(lanes, work, events, halted, name)
    crashes: list[BaseException] = []
    left = len(threads)
    try:
        while left:
            try:
                event = events.get(timeout=_LOOK_UP_S)
            except queue.Empty:
                continue
            if isinstance(event, _Moved | _Begun):
                event.tell(progress)
            elif isinstance(event, _Done):
                progress.advance(0, files=1)
                yield event.result  # type: ignore[misc]  # only ``_labour`` puts results in: of ``work``
            else:
                left -= 1
                if event.crash is not None:
                    crashes.append(event.crash)
                    halted.set()
    finally:
        halted.set()
        for thread in threads:
            thread.join(_PATIENCE_S)
    if crashes:
        raise crashes[0]


def _started(
    lanes: Sequence[Lane[_T]],
    work: Callable[[_T, Hands], _R],
    events: "queue.SimpleQueue[_Event]",
    halted: threading.Event,
    name: Callable[[_T], str],
) -> list[threading.Thread]:
    threads = [
        threading.Thread(
            target=_labour, args=(waiting, work, events, halted, name), name="restore", daemon=True
        )
        for lane in lanes
        for waiting in [deque(lane.tasks)]
        for _ in range(max(1, min(lane.at_once, len(lane.tasks))))
    ]
    for thread in threads:
        thread.start()
    return threads


def _labour(
    waiting: "deque[_T]",
    work: Callable[[_T, Hands], _R],
    events: "queue.SimpleQueue[_Event]",
    halted: threading.Event,
    name: Callable[[_T], str],
) -> None:
    hands = Hands(events, halted)
    crash: BaseException | None = None
    try:
        while not halted.is_set():
            try:
                task = waiting.popleft()
            except IndexError:
                break
            events.put(_Begun(name(task)))
            events.put(_Done(work(task, hands)))
    except AbandonedError:
        pass
    except BaseException as error:  # noqa: BLE001 - goes on in the thread that waits for it
        crash = error
    events.put(_Ended(crash))
