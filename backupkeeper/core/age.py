"""The open format age (age-encryption.org/v1), as far as it is arithmetic: recipients and sizes. Pure.

A recipient is the public half of a key: with it anybody can encrypt, and nobody can read. The secret
half is called identity, and never stands in a configuration.

Source: the specification at age-encryption.org/v1 (C2SP); Bech32 is BIP 173.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from backupkeeper.core.errors import HostileInputError
from backupkeeper.core.model import Blake3, Content, PlaceId

SUFFIX: Final = ".age"
"""What the name of an encrypted object ends with, as is usual for this format."""
SECRET_MARK: Final = "AGE-SECRET-KEY"  # noqa: S105 - what secrets begin with, not one
"""What the text of an identity begins with: never to be shown."""
IDENTITY_VARIABLE: Final = "BACKUPKEEPER_IDENTITY"
"""In the environment: the file with the key, for one run."""
RECIPIENT_CHARACTERS: Final = 62
"""``age1``, 32 bytes in Bech32, six characters of checksum."""
INTRO: Final = b"age-encryption.org/v1\n"
CHUNK_BYTES: Final = 64 * 1024
"""Plain bytes of a chunk of the payload; only the last may be shorter."""
TAG_BYTES: Final = 16
"""So much longer is each chunk once it is encrypted."""
NONCE_BYTES: Final = 16
HEADER_MOST: Final = 64 * 1024
"""No header of ours comes near this: 20 recipients have two kilobytes."""
_STANZA_MOST: Final = 200
"""A recipient of this kind takes 98 bytes of the header (seen); some programs add one that says nothing."""
_HRP: Final = "age"
_ALPHABET: Final = "qpzry9x8gf2tvdw0s3jn54khce6mua7l"
_GENERATOR: Final = (0x3B6A57B2, 0x26508E6D, 0x1EA119FA, 0x3D4233DD, 0x2A1462B3)
_CHECK: Final = 6
_PAD_BITS: Final = 4


@dataclass(frozen=True, kw_only=True, slots=True)
class Encrypted:
    """A file of a place as it stands there encrypted.

    ``path`` and ``content`` are the plain file's, as in every fact; ``size`` its bytes. ``key`` is
    the path under which the object stands; ``made`` the content of the object itself.
    """

    at: datetime
    place: PlaceId
    path: str
    content: Blake3
    size: int
    key: str
    made: Content
    recipients: tuple[str, ...]


def is_recipient(text: str) -> bool:
    """Whether a text is the public half of an X25519 key: lower case, right to its checksum."""
    if len(text) != RECIPIENT_CHARACTERS or not text.startswith(f"{_HRP}1"):
        return False
    data = [_ALPHABET.find(letter) for letter in text[len(_HRP) + 1 :]]
    if min(data) < 0:
        return False
    head = [ord(letter) >> 5 for letter in _HRP] + [0] + [ord(letter) & 31 for letter in _HRP]
    # 52 groups of five bits are 32 bytes and four bits more, which must be none.
    return _polymod([*head, *data]) == 1 and not data[-_CHECK - 1] & ((1 << _PAD_BITS) - 1)


def _polymod(values: Sequence[int]) -> int:
    check = 1
    for value in values:
        top = check >> 25
        check = (check & 0x1FFFFFF) << 5 ^ value
        for bit, factor in enumerate(_GENERATOR):
            check ^= factor if top >> bit & 1 else 0
    return check


def most_encrypted_bytes(size: int, recipients: int) -> int:
    """How many bytes a file of ``size`` bytes has at most once it is encrypted for so many."""
    header = len(INTRO) + recipients * _STANZA_MOST + 2 * _STANZA_MOST
    return header + NONCE_BYTES + size + _chunks(size) * TAG_BYTES


def _chunks(size: int) -> int:
    return max(1, -(-size // CHUNK_BYTES))


def plain_bytes(head: bytes, size: int) -> int:
    """How many bytes an encrypted file has once it is decrypted.

    Args:
        head: its beginning, up to ``HEADER_MOST`` bytes.
        size: all its bytes.

    Raises:
        HostileInputError: it is no file of this format, or not as long as one can be.
    """
    last = head.find(b"\n--- ")
    end = head.find(b"\n", last + 1) + 1
    if not head.startswith(INTRO) or last < 0 or end <= 0:
        raise HostileInputError("It does not begin as a file of the format age does.")
    payload = size - end - NONCE_BYTES
    chunks = -(-payload // (CHUNK_BYTES + TAG_BYTES))
    plain = payload - chunks * TAG_BYTES
    if chunks < 1 or plain < 0 or (_chunks(plain) != chunks):
        raise HostileInputError(f"No file of the format age has {size:,} bytes after this header.")
    return plain
