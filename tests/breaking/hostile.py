"""How hostile examples are tried: how many, from which seed, and in how much time and memory.

The rule for every reader: an error of ``core.errors`` in plain words, or an answer; never another
exception, never a hang.
"""

import os
import resource
import signal
import time
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

import hypothesis
from hypothesis import strategies as st

from backupkeeper.cli.failing import sentence
from backupkeeper.core.errors import BackupkeeperError
from tests.breaking.stories import IS_LONG, say

STEPS: Final = int(os.environ.get("BACKUPKEEPER_STEPS", "0"))
SEED: Final = int(
    os.environ.get("BACKUPKEEPER_SEED") or (time.time_ns() % 1_000_000 if IS_LONG else 1)
)
A_BATCH: Final = 100
"""Examples drawn from one seed."""


class HangError(Exception):
    """A reader computed for longer than any input is worth."""


@contextmanager
def within(seconds: float) -> Iterator[None]:
    """So many seconds of computing, whatever else the machine does; no thread but the first is counted on.

    Raises:
        HangError: it took more.
    """

    def end(*_: object) -> None:
        raise HangError

    before = signal.signal(signal.SIGVTALRM, end)
    signal.setitimer(signal.ITIMER_VIRTUAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        signal.signal(signal.SIGVTALRM, before)


def in_plain_words(error: BackupkeeperError) -> bool:
    """Whether what a person is shown of it is a sentence that no terminal obeys, and has an end."""
    text = sentence(error)
    return bool(text.strip()) and len(text) < 20_000 and all(map(str.isprintable, text.split("\n")))


def tried(
    name: str,
    strategy: st.SearchStrategy[Any],
    check: Callable[[Any], None],
    *,
    few: int,
    share: float = 1.0,
    again: str,
    shrinks: bool = True,
) -> int:
    """Try a check on examples, batch after batch, each from a seed of its own.

    Args:
        name: of what is tried, for whoever runs the bench.
        strategy: draws the examples.
        check: fails where a rule is broken.
        few: how many in the short form.
        share: of the long form's steps, how many are examples of this kind.
        again: what ``-k`` selects this test.
        shrinks: whether what fails is made small.

    Returns:
        How many examples there were.
    """
    wanted = max(1, round(STEPS * share)) if IS_LONG else few
    count = 0

    def counted(example: Any) -> None:
        nonlocal count
        count += 1
        check(example)

    phases = [hypothesis.Phase.generate, *([hypothesis.Phase.shrink] if shrinks else [])]
    settings = hypothesis.settings(
        max_examples=min(A_BATCH, few),
        phases=phases,
        database=None,
        deadline=None,
        print_blob=False,
        report_multiple_bugs=False,
        suppress_health_check=list(hypothesis.HealthCheck),
    )
    seed = SEED
    while count < wanted:
        test = hypothesis.given(strategy)(counted)
        try:
            hypothesis.seed(seed)(settings(test))()
        except BaseException:
            say(f"{name}: seed {seed}; again: make break SEED={seed} STEPS=1 ARGS=\"-k '{again}'\"")
            raise
        seed += 1
    say(f"{name}: {count:,} examples, seeds {SEED} to {seed - 1}")
    return count


def bounded(deed: Callable[[], object], *, memory_bytes: int, seconds: int) -> str:
    """Do something in a process of its own that may use so much more memory, and compute for so long.

    Returns:
        What went wrong; "" where nothing did. The limits are the system's, so nothing gets past them.
    """
    come, go = os.pipe()
    child = os.fork()
    if child == 0:
        told = b""
        try:
            pages = int(Path("/proc/self/statm").read_text().split()[0])
            most = pages * resource.getpagesize() + memory_bytes
            resource.setrlimit(resource.RLIMIT_AS, (most, most))
            resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds))
            deed()
        except MemoryError:
            told = b"it wanted more memory"
        except BaseException:  # noqa: BLE001 - the child must end here, whatever it met
            told = traceback.format_exc().encode("utf-8", "replace")[-60_000:]
        os.write(go, told)
        os._exit(1 if told else 0)
    os.close(go)
    with os.fdopen(come, "rb") as said:
        answer = said.read().decode()
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        return f"it computed for {seconds} s ({signal.Signals(os.WTERMSIG(status)).name})"
    return answer
