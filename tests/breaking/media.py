"""What really stands on folders, read past the program, and what nobody may ever do to it."""

import os
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from backupkeeper.transfer.durable import is_temp_name
from tests.breaking.model import content_of

OWN = ".backupkeeper"
RENEWED = ("place.json", "catalog")
"""What the program renews in its own folder (beginnings of names); beside these a roll's chain."""


@dataclass(frozen=True)
class Standing:
    """One file: what it holds, and its time (of an object: a number that stands for its ETag)."""

    content: str
    size: int
    time: int


Tree = Mapping[str, Standing]


def is_originals(path: str) -> bool:
    """Whether a path is a file of a person's, not one that the program keeps for itself."""
    parts = path.split("/")
    return OWN not in parts and "ascmhl" not in parts and not is_temp_name(parts[-1])


def may_be_renewed(path: str) -> bool:
    """Whether the program may write that file anew: its marker, snapshot and chain, nothing else."""
    parts = path.split("/")
    if is_temp_name(parts[-1]):
        return True
    if parts[0] == OWN and "set-aside" not in parts:
        return parts[1].startswith(RENEWED)
    return parts[-1] == "ascmhl_chain.xml"


TICK_NS = 50_000_000
"""Two changes of a file within such a time may leave the same time of change."""


@dataclass
class Reader:
    """Reads whole trees; what has the same entry as before, time of change too, is not read again."""

    read: dict[tuple[int, int, int, int], str] = field(default_factory=dict)

    def tree(self, root: Path) -> dict[str, Standing]:
        """Every file below a folder."""
        found = {}
        for folder, folders, names in os.walk(root):
            folders.sort()
            for name in sorted(names):
                path = os.path.join(folder, name)
                at = os.lstat(path)
                key = (at.st_ino, at.st_size, at.st_mtime_ns, at.st_ctime_ns)
                content = self.read.get(key)
                if content is None:
                    content = content_of(Path(path).read_bytes())
                    if time.time_ns() - at.st_ctime_ns > TICK_NS:
                        self.read[key] = content
                relative = os.path.relpath(path, root)
                found[relative] = Standing(content, at.st_size, at.st_mtime_ns)
        return found


def harm(before: Tree, after: Tree, *, originals: bool) -> Iterator[tuple[str, str]]:
    """What was there and is gone, or is other than it was (promise 4), and how it is now.

    Args:
        before: what stood there.
        after: what stands there.
        originals: whether only these are looked at.
    """
    for path, stood in before.items():
        if may_be_renewed(path) or (originals and not is_originals(path)):
            continue
        if path not in after:
            yield path, "is gone"
        elif after[path] != stood:
            yield path, "is other than it was"
