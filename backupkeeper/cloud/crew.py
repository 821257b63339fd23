"""A few threads that do what they are handed, and hold nobody up who wants to stop.

Promises:
1. ``close`` waits for what is being done, but after ``PATIENCE_S`` no longer where it ``hurries``: a
   line that went silent answers after a minute and a half at the earliest.
2. A thread that was left behind does not keep the program from ending.
"""

import threading
from collections.abc import Callable
from concurrent.futures import Future
from queue import SimpleQueue
from time import perf_counter
from typing import Any, Final, TypeVar

PATIENCE_S: Final = 3.0
"""How long somebody who stops is kept waiting for answers, in seconds."""
_T = TypeVar("_T")
_Task = Callable[[], None]


class Crew:
    """So many threads at most, begun as they are needed; for one calling thread.

    Args:
        most: how many.
        name: what the threads are called.
    """

    def __init__(self, most: int, name: str) -> None:
        self._most = most
        self._name = name
        self._tasks: SimpleQueue[_Task | None] = SimpleQueue()
        self._threads: list[threading.Thread] = []

    def submit(self, deed: Callable[..., _T], *about: Any) -> Future[_T]:  # noqa: ANN401 - whatever the deed takes
        """Have it done; its future can be cancelled until a thread takes it up."""
        future: Future[_T] = Future()

        def task() -> None:
            if not future.set_running_or_notify_cancel():
                return
            try:
                result = deed(*about)
            except BaseException as error:  # noqa: BLE001 - it goes to whoever waits for the result
                future.set_exception(error)
            else:
                future.set_result(result)

        self._tasks.put(task)
        if len(self._threads) < self._most:
            number = len(self._threads)
            thread = threading.Thread(target=self._work, name=f"{self._name}_{number}", daemon=True)
            self._threads.append(thread)
            thread.start()
        return future

    def _work(self) -> None:
        while (task := self._tasks.get()) is not None:
            task()

    def close(self, *, hurries: bool) -> None:
        """Take no more, wait for what is being done; ``hurries``: not for ever."""
        for _ in self._threads:
            self._tasks.put(None)
        until = perf_counter() + PATIENCE_S
        for thread in self._threads:
            thread.join(max(0.0, until - perf_counter()) if hurries else None)
