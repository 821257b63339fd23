"""A file on its way into a bucket becomes ciphertext: once, checked, and remembered before it leaves.

Promises:
1. Nothing leaves unless somebody showed that they hold a key for it.
2. What leaves was decrypted again, from where it will be sent, and was the plain file byte for byte.
   For that a key is made up for each file, used and forgotten: no key of the person's is needed here.
3. What it became is in the catalog before a byte of it leaves.
4. A large file is encrypted in the spool and stays there until it arrived, so that its upload can be
   gone on with; a small one in memory.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from backupkeeper.core.age import Encrypted, most_encrypted_bytes
from backupkeeper.core.errors import (
    CiphertextError,
    KeysNotShownError,
    MismatchError,
    NoKeyError,
    PlainNotMeantError,
    SourceChangedError,
    SpoolError,
)
from backupkeeper.core.model import BLOCK_BYTES, Content, EventKind, Place
from backupkeeper.ports.catalog import Catalog, EncryptedRows
from backupkeeper.ports.clock import Clock
from backupkeeper.transfer.age import Identity, encrypt, new_identity, opened
from backupkeeper.transfer.hashing import Hasher, content_of
from backupkeeper.transfer.spool import Spool, Take

IN_MEMORY_BYTES: Final = 2 * BLOCK_BYTES
"""Up to this size a file is encrypted in memory: doing it again costs nothing."""
_MEMORY_ADVICE: Final = "Suspect the memory of this machine: test it, then repeat the command."


@dataclass(frozen=True, kw_only=True, slots=True)
class Encryption:
    """What is asked for. No ``recipients``: nothing is encrypted. ``identities`` reads those at hand."""

    recipients: tuple[str, ...]
    hide_names: bool
    plain_too: bool
    identities: Callable[[], Sequence[Identity]]

    @property
    def subject(self) -> str:
        """What somebody has to show that they can decrypt: of the event that remembers it."""
        return "\n".join([*sorted(self.recipients), *(["names hidden"] if self.hide_names else [])])


def is_shown(catalog: Catalog, encryption: Encryption) -> bool:
    """Whether somebody showed that they hold a key, for these very recipients."""
    return encryption.subject in catalog.latest(EventKind.KEYS_SHOWN)


@dataclass(frozen=True, kw_only=True, slots=True)
class Wrapped:
    """A file once it is encrypted. ``blocks`` gives its bytes, checked; ``done`` when it arrived."""

    found: Encrypted
    blocks: Callable[[], Iterator[memoryview]]
    done: Callable[[], object]


@dataclass(frozen=True, kw_only=True, slots=True)
class Wrapper:
    """Encrypts for one place. Threads may share it. ``shown``: see ``is_shown``."""

    rows: EncryptedRows
    clock: Clock
    place: Place
    encryption: Encryption
    shown: bool
    spool: Spool

    def must_be_shown(self) -> None:
        """See that somebody showed that they hold a key.

        Raises:
            KeysNotShownError: nobody did, for these very recipients.
        """
        if not self.shown:
            raise KeysNotShownError(self.place.name)

    def must_be_meant(self) -> None:
        """See that what is sent now is sent as the person means it, encrypted or not.

        Raises:
            KeysNotShownError: it is to be encrypted, and nobody showed that they hold a key.
            PlainNotMeantError: it is not, beside what is encrypted: the configuration may be lost.
        """
        if self.encryption.recipients:
            self.must_be_shown()
        elif not self.encryption.plain_too and self.rows.has_encrypted(self.place.id):
            raise PlainNotMeantError(self.place.name)

    def wrapped(
        self,
        path: str,
        key: str,
        content: Content,
        blocks: Iterator[memoryview],
        pulse: Callable[[], object],
        *,
        keep: bool = True,
    ) -> Wrapped:
        """Encrypt a file, or take what was encrypted of it before and is still in the spool.

        Args:
            path: of the plain file.
            key: under which it will stand.
            content: what the file is.
            blocks: its bytes, each block checked; not asked for where they are not needed.
            pulse: called before each block; may wait, or raise.
            keep: whether the catalog remembers it.

        Raises:
            MismatchError: the bytes are not those of the file; nothing is kept of it.
            SpoolError: it can't be done here.
        """
        if content.size > IN_MEMORY_BYTES:
            for found in self.rows.encrypted_at(self.place.id, path):
                if (
                    found.content == content.blake3
                    and found.key == key
                    and found.recipients == self.encryption.recipients
                    and self.spool.holds(path, found.made)
                ):
                    return self._from_spool(found)
        wrapped = self._anew(path, key, content, blocks, pulse)
        if keep:
            self.rows.put_encrypted([wrapped.found])
        return wrapped

    def _anew(
        self,
        path: str,
        key: str,
        content: Content,
        blocks: Iterator[memoryview],
        pulse: Callable[[], object],
    ) -> Wrapped:
        thrown_away = new_identity()
        recipients = [*self.encryption.recipients, thrown_away.recipient]
        plain = Hasher()

        def write(take: Take) -> None:
            encrypt(_hashed(blocks, plain, pulse), take, recipients)
            if plain.size != content.size:
                raise SourceChangedError(path, how=f"has {plain.size:,} bytes by now")
            if plain.content().blake3 != content.blake3:
                raise MismatchError(
                    f"{path} was right block by block, and is not what it must be as a whole.",
                    advice=_MEMORY_ADVICE,
                )

        if content.size <= IN_MEMORY_BYTES:
            held: list[bytes] = []
            write(held.append)
            _must_decrypt(path, map(memoryview, held), thrown_away, content, pulse)
            found = self._found(path, key, content, content_of(b"".join(held)))
            return Wrapped(found=found, blocks=lambda: map(memoryview, held), done=lambda: None)
        most = most_encrypted_bytes(content.size, len(recipients))
        made = self.spool.fill(path, most, write)
        try:
            _must_decrypt(path, self.spool.blocks(path, made), thrown_away, content, pulse)
        except BaseException:
            self.spool.drop(path)
            raise
        return self._from_spool(self._found(path, key, content, made))

    def small(
        self, path: str, key: str, data: bytes, recipients: Sequence[str], *, keep: bool
    ) -> tuple[Encrypted, bytes]:
        """Encrypt something of our own making in memory.

        Args:
            path: of the plain file.
            key: under which it will stand.
            data: all its bytes.
            recipients: who can decrypt it.
            keep: whether the catalog remembers it.

        Raises:
            SpoolError: it can't be done here.
        """
        thrown_away, content, made = new_identity(), content_of(data), bytearray()
        encrypt([data], made.extend, [*recipients, thrown_away.recipient])
        blocks = iter([memoryview(bytes(made))])
        _must_decrypt(path, blocks, thrown_away, content, lambda: None)
        found = self._found(path, key, content, content_of(made), recipients)
        if keep:
            self.rows.put_encrypted([found])
        return found, bytes(made)

    def _from_spool(self, found: Encrypted) -> Wrapped:
        return Wrapped(
            found=found,
            blocks=lambda: self.spool.blocks(found.path, found.made),
            done=lambda: self.spool.drop(found.path),
        )

    def _found(
        self,
        path: str,
        key: str,
        content: Content,
        made: Content,
        recipients: Sequence[str] = (),
    ) -> Encrypted:
        return Encrypted(
            at=self.clock.now(),
            place=self.place.id,
            path=path,
            content=content.blake3,
            size=content.size,
            key=key,
            made=made,
            recipients=tuple(recipients) or self.encryption.recipients,
        )


def _hashed(
    blocks: Iterable[memoryview], hasher: Hasher, pulse: Callable[[], object]
) -> Iterator[memoryview]:
    for block in blocks:
        pulse()
        hasher.update(block)
        yield block


def _must_decrypt(
    path: str,
    blocks: Iterator[memoryview],
    identity: Identity,
    content: Content,
    pulse: Callable[[], object],
) -> None:
    """See that what was encrypted is the file again, once it is decrypted."""
    hasher = Hasher()
    try:
        for block in opened(blocks, [identity], path):
            pulse()
            hasher.update(block)
    except (CiphertextError, NoKeyError) as error:
        raise SpoolError(
            path, "it could not be decrypted again right afterwards", advice=_MEMORY_ADVICE
        ) from error
    if hasher.content().blake3 != content.blake3:
        raise SpoolError(
            path, "decrypted again right afterwards it was another file", advice=_MEMORY_ADVICE
        )
