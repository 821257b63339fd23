"""What every deed is handed: the ports, the catalog, the configuration."""

from dataclasses import dataclass
from typing import Protocol

from backupkeeper.config import Config
from backupkeeper.core.model import Place
from backupkeeper.ports.bucket import Bucket
from backupkeeper.ports.catalog import Catalog
from backupkeeper.ports.clock import Clock, Entropy
from backupkeeper.ports.files import Files
from backupkeeper.ports.locks import Locks
from backupkeeper.ports.mounts import Mounts


class OpenBucket(Protocol):
    """Opens the bucket of a place; ``hurried``: a short wait, for what can go on without it."""

    def __call__(self, place: Place, *, hurried: bool = False) -> Bucket:
        """Open it; nothing is asked of the network yet."""
        ...


@dataclass(frozen=True, kw_only=True, slots=True)
class Context:
    """The world, as it is handed to a deed. ``hostname`` and ``version`` go into manifests."""

    config: Config
    catalog: Catalog
    files: Files
    mounts: Mounts
    clock: Clock
    entropy: Entropy
    open_bucket: OpenBucket
    locks: Locks
    hostname: str
    version: str
