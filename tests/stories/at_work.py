"""A second program at work on the yard's catalog: a process of its own, stopped at its first bytes."""

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from tests.stories.yard import Yard

ROOT = os.path.join(os.path.dirname(__file__), "..", "..")

CODE = """
import sys, threading
from backupkeeper.actions.offload import offload
from backupkeeper.actions.offload_plan import Request
from backupkeeper.core.errors import BackupkeeperError
from backupkeeper.ports.progress import Quiet
from backupkeeper.wiring import Keeper, load_config
from tests.stories.yard import SHOOT

class Waiting(Quiet):
    # At the first bytes it says that it is at work, and goes on when it is told to.
    def __init__(self):
        self.once = threading.Lock()
    def advance(self, byte_count, *, files=0):
        if self.once.acquire(blocking=False):
            print("at work", flush=True)
            sys.stdin.readline()

root, deed, *words = sys.argv[1:]
with Keeper(load_config(f"{root}/config.toml", {"HOME": root})) as keeper:
    try:
        if deed == "offload":
            card, source, *onto = words
            ids = frozenset(p for p, name in keeper.place_names().items() if name in onto)
            request = Request(card=card, shoot=SHOOT, source=source, roll=None, onto=ids or None)
            done = offload(keeper._context, request, Waiting())
            print(f"sealed {done.sealed}, {done.new_files} new, {len(done.troubles)} troubles")
        elif deed == "verify":
            done = keeper.verify(words[0], progress=Waiting())
            print(f"{done.matching_files} match, {len(done.troubles)} troubles")
        elif deed == "mirror":
            done = keeper.mirror(progress=Waiting())
            print(f"{done.copied_files} copied, {len(done.troubles)} troubles")
        elif deed == "daemon":
            with keeper.as_daemon():
                Waiting().advance(0)
            print("over")
    except BackupkeeperError as error:
        print(f"{type(error).__name__}: {error}")
"""


@dataclass(frozen=True, kw_only=True)
class AtWork:
    """The other program. ``said`` is the first line of it: ``at work``, or how it ended."""

    child: subprocess.Popen[str]
    said: str

    @property
    def process(self) -> int:
        """Its number."""
        return self.child.pid

    def go_on(self) -> str:
        """Let it come to its end; the line that it ended with."""
        out, _ = self.child.communicate("go on\n", timeout=60)
        return out.strip()

    def kill(self) -> None:
        """Kill it, at once."""
        self.child.kill()
        self.child.wait(10)


@contextmanager
def at_work(yard: Yard, deed: str, *words: str) -> Iterator[AtWork]:
    """Start it and wait for its first line."""
    with subprocess.Popen(
        [sys.executable, "-c", CODE, str(yard.root), deed, *words],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as child:
        try:
            assert child.stdout is not None
            yield AtWork(child=child, said=child.stdout.readline().strip())
        finally:
            child.kill()
