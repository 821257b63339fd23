"""A bucket in which files stand encrypted, to everybody else as one in which they stand as they are.

Paths, contents and sizes are the plain files' here, as in every fact; under which key an object
stands, and what it is made of, is asked of the catalog.

Promises:
1. While recipients are configured, no byte of a file, a manifest or a snapshot leaves unencrypted,
   and none at all before somebody showed that they hold a key.
2. What stands there unencrypted already is neither sent again nor hidden: it is found, and stays.
3. What is read is decrypted, with the keys at hand; without one it is said (``NoKeyError``).
4. With hidden names a key tells nothing of its path but which files share a folder. Only what this
   program keeps for itself below ``.backupkeeper`` has the names that it always has.
"""

import dataclasses
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

from backupkeeper.actions.encrypted_memory import EncryptedMemory, as_sent
from backupkeeper.actions.encrypted_span import Span
from backupkeeper.actions.encrypting import Encryption, Wrapper
from backupkeeper.core.age import HEADER_MOST, SUFFIX, Encrypted, plain_bytes
from backupkeeper.core.bucket_findings import Findings
from backupkeeper.core.errors import EncryptionError, HostileInputError, NameTakenError
from backupkeeper.core.model import Content
from backupkeeper.core.uploads import Begun
from backupkeeper.ports.bucket import Bucket, Capabilities, ObjectEntry, Remembering, Sent
from backupkeeper.ports.clock import Entropy
from backupkeeper.transfer.age import decrypted, opened
from backupkeeper.transfer.hashing import Hasher, content_of

Told = Callable[[Iterator[memoryview]], Iterator[memoryview]]
OWN: Final = ".backupkeeper/"
"""Below this everything is this program's own: found by its name, and no file of the person's."""
_TOKEN: Final = 16
"""Letters of a hidden folder's name."""
_NOBODY: Final = "there is nobody to encrypt it for now"
_NAME_THEM: Final = "Name the recipients under [upload] encrypt_to."


@dataclass(frozen=True, kw_only=True, slots=True)
class EncryptedEntry(ObjectEntry):
    """An object that is encrypted: ``key`` and ``size`` are the plain file's, the rest its own.

    ``inner`` is the object itself; ``known`` what it may be made of, by the catalog (nothing: it was
    not encrypted here, or that was forgotten). ``size`` is then what its header makes likely.
    """

    inner: ObjectEntry
    known: tuple[Encrypted, ...] = field(default=(), compare=False)


class EncryptingBucket:
    """See the module; ``ports.bucket.Bucket``. Threads may share it.

    Args:
        inner: the bucket itself.
        wrapper: encrypts for its place, and knows what stands there encrypted.
        entropy: for hidden names.
    """

    def __init__(self, inner: Bucket, wrapper: Wrapper, entropy: Entropy) -> None:
        self.inner = inner
        self._place = wrapper.place
        self._wrapper = wrapper
        self.rows = wrapper.rows
        """What is known of encrypted objects; for any thread."""
        self._entropy = entropy
        self._folders: dict[str, str] = {}
        self._own: dict[str, Encrypted] = {}
        """Files of our own that were sent just now: the catalog does not remember these."""
        self._left = threading.local()
        """Of each thread: the span that it took last to its end, and may go on with."""

    @property
    def encryption(self) -> Encryption:
        """What is asked for."""
        return self._wrapper.encryption

    @property
    def encrypts(self) -> bool:
        """Whether what is sent from now on is encrypted."""
        return bool(self.encryption.recipients)

    def must_be_meant(self) -> None:
        """See ``Wrapper.must_be_meant``; asked again whenever something new is sent."""
        self._wrapper.must_be_meant()

    def capabilities(self) -> Capabilities:
        """What the store refuses when wrong."""
        return self.inner.capabilities()

    @property
    def doubts(self) -> bool:
        """Whether it did something else than what was found out about it before."""
        return self.inner.doubts

    def check(self) -> Findings:
        """Try and ask everything; what is sent for that is nobody's file."""
        return self.inner.check()

    def who_reads(self, found: Findings) -> Findings:
        """What was found before, with who gets at the bucket now."""
        return self.inner.who_reads(found)

    def lifecycle_rule(self) -> Mapping[str, object]:
        """What ``set_lifecycle_rule`` adds."""
        return self.inner.lifecycle_rule()

    def set_lifecycle_rule(self) -> bool:
        """Have the store end uploads that were never finished."""
        return self.inner.set_lifecycle_rule()

    # -- looking

    def look(self, key: str, *, version: str | None = None) -> ObjectEntry | None:
        """The object's entry, or None where there is no such object."""
        rows = self.rows.encrypted_at(self._place.id, key)
        if not rows and key in self._own:
            rows = (self._own[key],)
        for home in dict.fromkeys(row.key for row in rows):
            entry = self.inner.look(home, version=version)
            if entry is not None:
                return self._as_plain(key, entry, rows)
        # Without a row: our own files, what another catalog sent, and what was never encrypted.
        homes = [key] if rows else [key, key + SUFFIX]
        if _is_own(key) and self.encrypts:
            homes.reverse()
        for home in homes:
            entry = self.inner.look(home, version=version)
            if entry is not None:
                return entry if home == key else self._as_plain(key, entry, ())
        return None

    def listing(self, below: str = "") -> Iterator[ObjectEntry]:
        """Entries of all objects whose path starts with ``below``.

        An object with an unknown history whose name ends with ``.age`` comes twice: by its own
        name, and by the one that it would have decrypted. Hidden names come last.
        """
        for entry in self.inner.listing(below):
            rows = self.rows.encrypted_as(self._place.id, entry.key)
            if rows:
                yield from self._named(entry, rows, below)
                continue
            yield entry
            if entry.key.endswith(SUFFIX):
                yield self._as_plain(entry.key.removesuffix(SUFFIX), entry, (), guess=True)
        hidden = {
            row.key.rpartition("/")[0] + "/"
            for row in self.rows.encrypted_below(self._place.id, below)
            if not row.key.startswith(below)
        }
        for folder in sorted(hidden):
            for entry in self.inner.listing(folder):
                rows = self.rows.encrypted_as(self._place.id, entry.key)
                yield from self._named(entry, rows, below)

    def _named(
        self, entry: ObjectEntry, rows: tuple[Encrypted, ...], below: str
    ) -> Iterator[ObjectEntry]:
        for path in dict.fromkeys(row.path for row in rows):
            if path.startswith(below):
                yield self._as_plain(path, entry, tuple(row for row in rows if row.path == path))

    def _as_plain(
        self, path: str, entry: ObjectEntry, rows: tuple[Encrypted, ...], *, guess: bool = False
    ) -> EncryptedEntry:
        known = tuple(row for row in rows if row.key == entry.key)
        fits = [row.size for row in known if row.made.size == entry.size]
        if fits:
            size = fits[0]
        elif known:
            # Another object than any that was sent: never of the size that the file must have.
            size = max(0, known[0].size + entry.size - known[0].made.size)
        else:
            size = entry.size if guess else self._likely(entry)
        return EncryptedEntry(
            key=path,
            size=size,
            version=entry.version,
            etag=entry.etag,
            shelf=entry.shelf,
            thaw=entry.thaw,
            inner=entry,
            known=known,
        )

    def _likely(self, entry: ObjectEntry) -> int:
        """What the header makes of the size; nothing is believed of it."""
        head = b"".join(
            bytes(block)
            for block in self.inner.fetch_range(entry.key, entry, 0, min(entry.size, HEADER_MOST))
        )
        try:
            return plain_bytes(head, entry.size)
        except HostileInputError:
            return entry.size

    # -- sending

    def send(
        self,
        key: str,
        content: Content,
        blocks: Iterator[memoryview],
        *,
        replacing: ObjectEntry | None = None,
        memory: Remembering | None = None,
        storage_class: str = "",
        told: Told = iter,
        pulse: Callable[[], object] = lambda: None,
    ) -> Sent:
        """Upload under a key that must be free, or hold the very object ``replacing``; encrypted.

        An object that stands there as it is, is replaced as it is. ``told`` is put around the bytes
        that travel, ``pulse`` is called while they are made.

        Raises:
            KeysNotShownError: nobody showed that they hold a key.
            PlainNotMeantError: it would not be encrypted, beside what is.
            SpoolError: it can't be encrypted here.
        """
        if isinstance(replacing, EncryptedEntry):
            if not self.encrypts:
                raise EncryptionError(f"{key} stands encrypted, and {_NOBODY}.", advice=_NAME_THEM)
            home = replacing.inner.key
        elif replacing is not None or not self.encrypts:
            if replacing is None:
                self.must_be_meant()
            return self.inner.send(
                key,
                content,
                told(blocks),
                replacing=replacing,
                memory=memory,
                storage_class=storage_class,
            )
        elif self.inner.look(key) is not None:
            raise NameTakenError(key)
        else:
            home = self._home(key, content)
        self._wrapper.must_be_shown()
        wrapped = self._wrapper.wrapped(key, home, content, blocks, pulse, keep=not _is_own(key))
        found = wrapped.found
        if _is_own(key):
            self._own[key] = found
        try:
            sent = self.inner.send(
                home,
                found.made,
                told(wrapped.blocks()),
                replacing=replacing.inner if isinstance(replacing, EncryptedEntry) else None,
                memory=None if memory is None else EncryptedMemory(outer=memory, found=found),
                storage_class=storage_class,
            )
        except NameTakenError as error:
            wrapped.done()  # what stands there is compared now, whoever sent it
            raise NameTakenError(key) from error
        wrapped.done()
        return self._sent(sent, key, (found,))

    def last_part(self, begun: Begun) -> datetime | None:
        """When the last part of an upload came."""
        return self.inner.last_part(as_sent(begun, self.rows, self._place.id))

    def give_up(self, begun: Begun) -> None:
        """Remove an upload that this program began, and all parts of it."""
        self.inner.give_up(as_sent(begun, self.rows, self._place.id))

    def _sent(self, sent: Sent, path: str, rows: tuple[Encrypted, ...]) -> Sent:
        return dataclasses.replace(sent, entry=self._as_plain(path, sent.entry, rows))

    def _home(self, path: str, content: Content | None = None) -> str:
        """The key for a file: the one that it had before, or a new one."""
        for row in self.rows.encrypted_at(self._place.id, path):
            if content is None or row.content == content.blake3:
                return row.key
        if not self.encryption.hide_names or path.startswith(OWN):
            return path + SUFFIX
        folder = path.rpartition("/")[0]
        return f"{self._hidden(folder)}/{self._chance()}{SUFFIX}"

    def _hidden(self, folder: str) -> str:
        """What a folder is called where names are hidden; the same for all that lies in it."""
        if folder not in self._folders:
            inside = (
                row.key.rpartition("/")[0]
                for row in self.rows.encrypted_below(self._place.id, f"{folder}/")
                if row.path.rpartition("/")[0] == folder and row.key != row.path + SUFFIX
            )
            found = next(inside, None)
            self._folders[folder] = found if found is not None else self._chance()[:_TOKEN]
        return self._folders[folder]

    def _chance(self) -> str:
        return self._entropy.new_id().replace("-", "")

    def send_small(self, key: str, data: bytes, *, replace: bool = False) -> Sent:
        """Upload a small file of our own making, encrypted.

        Raises:
            KeysNotShownError: nobody showed that they hold a key.
            EncryptionError: an encrypted one stands there, and there is nobody to encrypt it for now.
        """
        before = self.look(key)
        there = before if isinstance(before, EncryptedEntry) else None
        if there is not None and not replace:
            return self._same(there, data)
        if there is None and (not self.encrypts or (before is not None and not replace)):
            if before is None:
                self.must_be_meant()
            return self.inner.send_small(key, data, replace=replace)
        recipients = self.encryption.recipients
        if recipients:
            self._wrapper.must_be_shown()
        elif there is not None and there.known:
            recipients = there.known[0].recipients
        else:
            raise EncryptionError(f"{key} stands encrypted, and {_NOBODY}.", advice=_NAME_THEM)
        home = there.inner.key if there is not None else self._home(key)
        found, made = self._wrapper.small(key, home, data, recipients, keep=not _is_own(key))
        sent = self.inner.send_small(home, made, replace=replace)
        return self._sent(sent, key, (found,))

    def _same(self, there: EncryptedEntry, data: bytes) -> Sent:
        """The very same bytes stand there already, or ``NameTakenError``.

        Without a key only what was encrypted here can be compared.
        """
        wanted, stands = content_of(data), Hasher()
        blocks = self.inner.fetch(there.inner.key, version=there.inner.version)
        held = b"".join(map(bytes, blocks))
        stands.update(held)
        made = stands.content().blake3
        if not any((row.content, row.made.blake3) == (wanted.blake3, made) for row in there.known):
            keys = self.encryption.identities()
            if not keys or decrypted(held, keys, there.key) != data:
                raise NameTakenError(there.key)
        return Sent(entry=there, attested_by=())

    # -- reading

    def fetch(self, key: str, *, version: str | None = None) -> Iterator[memoryview]:
        """The plain bytes of an object in blocks of ``BLOCK_BYTES`` (the last may be shorter).

        Raises:
            NoKeyError: it is encrypted, and no key that is here fits.
            CiphertextError: it was changed, or ends too early.
        """
        entry = self.look(key, version=version)
        if not isinstance(entry, EncryptedEntry):
            yield from self.inner.fetch(key, version=version)
            return
        yield from self._opened(entry)

    def _opened(self, entry: EncryptedEntry) -> Iterator[memoryview]:
        blocks = self.inner.fetch(entry.inner.key, version=entry.inner.version)
        return opened(blocks, self.encryption.identities(), entry.key)

    def fetch_range(
        self, key: str, entry: ObjectEntry, start: int, end: int
    ) -> Iterator[memoryview]:
        """Some plain bytes of the very object that was looked at; all that lies before them travels."""
        if not isinstance(entry, EncryptedEntry):
            yield from self.inner.fetch_range(key, entry, start, end)
            return
        # Taken away while it is used: a stream that is given up half way is not gone on with.
        span: Span | None = getattr(self._left, "span", None)
        self._left.span = None
        if span is None or not span.goes_on_to(entry, start):
            span = Span(entry, self._opened(entry))
        yield from span.taken(start, end)
        self._left.span = span

    def thaw(self, entry: ObjectEntry, *, tier: str, days: int) -> bool:
        """Ask the store to make an object of an archive class readable."""
        there = entry.inner if isinstance(entry, EncryptedEntry) else entry
        return self.inner.thaw(there, tier=tier, days=days)

    def drop_snapshot(self, key: str) -> bool:
        """Remove a snapshot of a catalog that need not stay, as it stands there."""
        entry = self.look(key)
        there = entry.inner.key if isinstance(entry, EncryptedEntry) else key
        return entry is not None and self.inner.drop_snapshot(there)

    def set_aside(self, key: str, entry: ObjectEntry) -> str:
        """Have the store keep a copy of the very object that was looked at, as it is."""
        if isinstance(entry, EncryptedEntry):
            return self.inner.set_aside(entry.inner.key, entry.inner)
        return self.inner.set_aside(key, entry)


def _is_own(path: str) -> bool:
    return path.startswith(OWN)
