"""What is remembered of an upload in parts, told of the plain file outside and of the object inside."""

from dataclasses import dataclass, replace

from backupkeeper.core.age import Encrypted
from backupkeeper.core.model import PlaceId
from backupkeeper.core.uploads import Begun
from backupkeeper.ports.bucket import Remembering
from backupkeeper.ports.catalog import EncryptedRows


@dataclass(frozen=True, kw_only=True, slots=True)
class EncryptedMemory:
    """``ports.bucket.Remembering`` for the object that a file became.

    A ciphertext that was made anew meanwhile is no harm: parts that are not its own are sent again.
    """

    outer: Remembering
    found: Encrypted

    def begun(self) -> Begun | None:
        """The upload that was begun and not ended, if there is one."""
        begun = self.outer.begun()
        return None if begun is None else inside(begun, self.found)

    def others(self) -> tuple[Begun, ...]:
        """None: a ciphertext can't be made again, so no other machine can go on with it."""
        return ()

    def remember(self, begun: Begun) -> None:
        """Remember it, durably, before any part is sent."""
        self.outer.remember(self._outside(begun))

    def forget(self, begun: Begun) -> None:
        """It can't be gone on with."""
        self.outer.forget(self._outside(begun))

    def _outside(self, begun: Begun) -> Begun:
        return replace(begun, key=self.found.path, content=self.found.content)


def inside(begun: Begun, found: Encrypted) -> Begun:
    """The same upload, as the store knows it."""
    return replace(begun, key=found.key, content=found.made.blake3)


def as_sent(begun: Begun, rows: EncryptedRows, place: PlaceId) -> Begun:
    """An upload as the store knows it, where it may be of an encrypted file."""
    every = rows.encrypted_at(place, begun.key)
    found = next((row for row in every if row.content == begun.content), None)
    return begun if found is None else inside(begun, found)
