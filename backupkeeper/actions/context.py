"""What every deed is handed: the ports, the catalog, the configuration."""

from collections.abc import Callable
from dataclasses import dataclass

from backupkeeper.config import Config
from backupkeeper.core.model import Place
from backupkeeper.ports.bucket import Bucket
from backupkeeper.ports.catalog import Catalog
from backupkeeper.ports.clock import Clock, Entropy
from backupkeeper.ports.files import Files
from backupkeeper.ports.mounts import Mounts


@dataclass(frozen=True, kw_only=True, slots=True)
class Context:
    """The world, as it is handed to a deed. ``hostname`` and ``version`` go into manifests."""

    config: Config
    catalog: Catalog
    files: Files
    mounts: Mounts
    clock: Clock
    entropy: Entropy
    open_bucket: Callable[[Place], Bucket]
    hostname: str
    version: str
