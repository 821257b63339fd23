"""A bucket in which things stand encrypted, on a real catalog, spool and store."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from backupkeeper.actions.encrypting import Encryption, Wrapper, is_shown
from backupkeeper.actions.encrypting_bucket import EncryptingBucket
from backupkeeper.catalog.store import SqliteCatalog
from backupkeeper.core.model import Event, EventKind, Place, PlaceId, PlaceKind, Role
from backupkeeper.drives.mounts_linux import LinuxMounts
from backupkeeper.ports.bucket import Bucket
from backupkeeper.ports.files import Files
from backupkeeper.system.files import RealFiles
from backupkeeper.transfer.age import Identity, new_identity
from backupkeeper.transfer.spool import Spool
from tests.catalog.made import NOW
from tests.real.store import Chance, StoppedClock

PLACE = Place(
    id=PlaceId("7f5c2a5e-9d0f-4d9e-9a2a-3f0a0f7f0003"),
    name="Off site",
    role=Role.CLOUD,
    kind=PlaceKind.BUCKET,
    created_at=NOW,
    location="s3://boatyard/originals",
)


@dataclass(kw_only=True)
class Vault:
    """What is needed to open one, and what may be changed in between."""

    inner: Bucket
    catalog: SqliteCatalog
    folder: Path
    hide_names: bool = False
    identities: Sequence[Identity] = field(default_factory=lambda: [new_identity(), new_identity()])
    recipients: tuple[str, ...] | None = None
    files: Files = field(default_factory=RealFiles)

    @property
    def spool(self) -> Path:
        """Where large files are encrypted."""
        return self.folder / "spool" / "one"

    @property
    def encryption(self) -> Encryption:
        """As it is configured now."""
        usual = tuple(one.recipient for one in self.identities)
        return Encryption(
            recipients=usual if self.recipients is None else self.recipients,
            hide_names=self.hide_names,
            plain_too=True,
            identities=lambda: self.identities,
        )

    def show(self) -> None:
        """Somebody showed the keys."""
        subject = self.encryption.subject
        self.catalog.note(
            [Event(at=NOW, kind=EventKind.KEYS_SHOWN, subject=subject, detail="safe")]
        )

    def bucket(self) -> EncryptingBucket:
        """Opened anew."""
        clock = StoppedClock()
        wrapper = Wrapper(
            rows=self.catalog,
            clock=clock,
            place=PLACE,
            encryption=self.encryption,
            shown=is_shown(self.catalog, self.encryption),
            spool=Spool(self.files, LinuxMounts(), str(self.spool), clock.monotonic),
        )
        return EncryptingBucket(self.inner, wrapper, Chance())
