"""Bytes into the open format age (age-encryption.org/v1) and back, as streams of bounded memory.

Promises:
1. Whatever is written here, any program that knows the format reads with the identity.
2. ``opened`` gives out only bytes that were shown to be those that were encrypted. That the end is
   missing shows only at the end: who uses them asks for all.
3. What a caller's own source or sink raises leaves as it is; else only ``CiphertextError``,
   ``NoKeyError`` and ``UsageError``.
4. An identity is in no text that anybody is shown.

The library behind it (pyrage) has no random access: a part of a file takes all before it.
"""

import re
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from queue import SimpleQueue
from typing import Final

import pyrage

from backupkeeper.core.age import SECRET_MARK, is_recipient
from backupkeeper.core.errors import BrokenPromiseError, CiphertextError, NoKeyError, UsageError
from backupkeeper.core.model import BLOCK_BYTES

Buffer = bytes | bytearray | memoryview
IDENTITIES_MOST_BYTES: Final = 64 * 1024
"""A file of identities is a few lines."""
_IDENTITY: Final = re.compile(rf"{SECRET_MARK}-1[0-9A-Z]{{58}}", re.IGNORECASE)
_LOCKED_FILE: Final = ("age-encryption.org/", "-----BEGIN AGE ENCRYPTED FILE-----")
_NO_KEY: Final = "No matching keys found"


@dataclass(frozen=True, slots=True, eq=False)
class Identity:
    """The secret half of a key. ``recipient`` is its public half."""

    _secret: pyrage.x25519.Identity = field(repr=False)

    @property
    def recipient(self) -> str:
        """The public half."""
        return str(self._secret.to_public())


def new_identity() -> Identity:
    """A key that nobody knew before."""
    return Identity(pyrage.x25519.Identity.generate())


def identities_from(data: bytes, name: str) -> tuple[Identity, ...]:
    """The identities in a file of them: one a line, ``#`` begins a remark.

    Args:
        data: what stands in the file.
        name: its name, for messages.

    Raises:
        UsageError: it has none, or something else; nothing of what stands there is shown.
    """
    text = data.decode("utf-8", "replace")
    if text.startswith(_LOCKED_FILE):
        raise UsageError(
            f"{name} is itself encrypted (with a passphrase).",
            advice="Decrypt it with an age program first, to a place that nobody else reads.",
        )
    found = []
    for number, line in enumerate(text.splitlines(), start=1):
        words = line.strip()
        if not words or words.startswith("#"):
            continue
        if is_recipient(words.lower()):
            raise UsageError(
                f"Line {number} of {name} is a recipient, the public half of a key.",
                advice=f"What is wanted here is the secret half, which begins with {SECRET_MARK}-1.",
            )
        found.append(_identity(words, f"Line {number} of {name}"))
    if not found:
        raise UsageError(
            f"{name} holds no key.", advice=f"A key is a line that begins with {SECRET_MARK}-1."
        )
    return tuple(found)


def _identity(words: str, where: str) -> Identity:
    if _IDENTITY.fullmatch(words):
        with suppress(pyrage.IdentityError):
            return Identity(pyrage.x25519.Identity.from_str(words.upper()))
    raise UsageError(
        f"{where} is no key that this program can use.",
        advice=f"A key is one line that begins with {SECRET_MARK}-1, as age programs write it.",
    )


class _Source:
    """Blocks as the file that the library reads. What the blocks' maker raises is kept."""

    def __init__(self, blocks: Iterable[Buffer]) -> None:
        self._blocks = iter(blocks)
        self._left = memoryview(b"")
        self.error: BaseException | None = None

    def read(self, count: int) -> bytes:
        try:
            while not self._left:
                block = next(self._blocks, None)
                if block is None:
                    return b""
                self._left = memoryview(block)
            given, self._left = self._left[:count], self._left[count:]
            return bytes(given)
        except BaseException as error:
            self.error = self.error or error
            raise


class _Sink:
    """What the library writes, gathered to blocks of ``BLOCK_BYTES`` for the one who takes them."""

    def __init__(self, take: Callable[[bytes], object]) -> None:
        self._take = take
        self._held = bytearray()
        self.error: BaseException | None = None

    def write(self, data: bytes) -> int:
        try:
            self._held += data
            while len(self._held) >= BLOCK_BYTES:
                block = bytes(self._held[:BLOCK_BYTES])
                del self._held[:BLOCK_BYTES]
                self._take(block)
        except BaseException as error:
            self.error = self.error or error
            raise
        return len(data)

    def flush(self) -> None:
        """Nothing to do before the end."""

    def end(self) -> None:
        """Hand over what is left."""
        if self._held:
            self._take(bytes(self._held))
            self._held.clear()


def encrypt(
    blocks: Iterable[Buffer], take: Callable[[bytes], object], recipients: Sequence[str]
) -> None:
    """Encrypt a stream.

    Args:
        blocks: the plain bytes in order, however they are cut.
        take: is given the encrypted bytes in order, in blocks of ``BLOCK_BYTES`` (the last shorter).
        recipients: who can decrypt it.

    Raises:
        BaseException: what ``blocks`` or ``take`` raised.
        BrokenPromiseError: there is nobody to encrypt for, or the library failed.
    """
    if not recipients or not all(map(is_recipient, recipients)):
        raise BrokenPromiseError(f"Nobody to encrypt for among {recipients!r}.")
    source, sink = _Source(blocks), _Sink(take)
    try:
        keys = [pyrage.x25519.Recipient.from_str(one) for one in recipients]
        pyrage.encrypt_io(source, sink, keys)
    except (pyrage.EncryptError, OSError) as error:
        # The library turns whatever our own code raised into an error of its own.
        theirs = source.error or sink.error
        if theirs is not None:
            raise theirs from None
        if "KeyboardInterrupt" in str(error):
            raise KeyboardInterrupt from error
        raise BrokenPromiseError(f"Encrypting failed: {error}.") from error
    sink.end()


_WANTS: Final = object()
_STOP: Final = object()


class _Worker:
    """The library, which pushes, in a thread of its own, so that somebody can pull.

    The two take turns: it works only on what it was given, and asks for more by name.
    """

    def __init__(self, identities: Sequence[Identity]) -> None:
        self.said: SimpleQueue[object] = SimpleQueue()
        self.given: SimpleQueue[object] = SimpleQueue()
        self._keys = [one._secret for one in identities]  # noqa: SLF001 - this very module's
        self._thread = threading.Thread(target=self._run, name="decrypting", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self.given.put(_STOP)
        self._thread.join()

    def _asked(self) -> Iterator[memoryview]:
        while True:
            self.said.put(_WANTS)
            block = self.given.get()
            if block is _STOP:
                raise BrokenPromiseError("Decrypting was given up.")
            if block is None:
                return
            assert isinstance(block, memoryview)
            yield block

    def _run(self) -> None:
        sink = _Sink(self.said.put)
        try:
            pyrage.decrypt_io(_Source(self._asked()), sink, self._keys)
            sink.end()
        except (pyrage.DecryptError, OSError, BrokenPromiseError) as error:
            self.said.put(error)
        else:
            self.said.put(None)


def opened(
    blocks: Iterator[memoryview], identities: Sequence[Identity], what: str
) -> Iterator[memoryview]:
    """Decrypt a stream.

    Args:
        blocks: the encrypted bytes in order; each is used up before the next is asked for.
        identities: keys, one of which must fit.
        what: is decrypted, for messages.

    Yields:
        The plain bytes in blocks of ``BLOCK_BYTES`` (the last may be shorter).

    Raises:
        NoKeyError: no key fits, or there is none.
        CiphertextError: it is none of this format, was changed, or ends too early.
        BaseException: what ``blocks`` raised.
    """
    if not identities:
        raise NoKeyError(what, tried=0)
    worker = _Worker(identities)
    worker.start()
    try:
        while True:
            said = worker.said.get()
            if said is _WANTS:
                worker.given.put(next(blocks, None))
            elif isinstance(said, bytes):
                yield memoryview(said)
            elif said is None:
                return
            else:
                raise _failure(said, what, len(identities))
    finally:
        worker.stop()


def _failure(said: object, what: str, tried: int) -> Exception:
    text = str(said)
    if text == _NO_KEY:
        return NoKeyError(what, tried=tried)
    if isinstance(said, OSError):
        return CiphertextError(what, "it was changed, or ends too early")
    return CiphertextError(what, f"it is no whole file of the format age ({text.rstrip('.')})")


def encrypted(data: bytes, recipients: Sequence[str]) -> bytes:
    """Encrypt something small in memory."""
    made = bytearray()
    encrypt([data], made.extend, recipients)
    return bytes(made)


def decrypted(data: bytes, identities: Sequence[Identity], what: str) -> bytes:
    """Decrypt something small in memory. Errors as ``opened``."""
    return b"".join(opened(iter([memoryview(data)]), identities, what))
