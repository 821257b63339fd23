"""C4 identifiers: a SHA-512 digest as 90 characters (SMPTE ST 2114, as its author restates it).

The digest is read as one big-endian number, written in base 58 with exactly 88 digits (padded on
the left with ``1``, the digit zero) after the letters ``c4``. The alphabet is in ASCII order and
the width is fixed, so the order of the texts is the order of the digests. STANDARDS section 1.7.
"""

from backupkeeper.core.errors import HostileInputError

ALPHABET = "123456789ABCDEFGHJKLMNPQRSTUVWXYZabcdefghijkmnopqrstuvwxyz"
PREFIX = "c4"
DIGITS = 88
DIGEST_BYTES = 64
_VALUES = {letter: value for value, letter in enumerate(ALPHABET)}


def encode_c4(digest: bytes) -> str:
    """The C4 identifier of a raw SHA-512 digest (64 bytes)."""
    assert len(digest) == DIGEST_BYTES
    number = int.from_bytes(digest, "big")
    letters = []
    for _ in range(DIGITS):
        number, value = divmod(number, len(ALPHABET))
        letters.append(ALPHABET[value])
    return PREFIX + "".join(reversed(letters))


def decode_c4(text: str) -> bytes:
    """The raw SHA-512 digest (64 bytes) that a C4 identifier stands for. Case counts.

    Raises:
        HostileInputError: wrong length or letters, or a number that no SHA-512 digest has
            (88 digits reach beyond 2**512).
    """
    if len(text) != len(PREFIX) + DIGITS or not text.startswith(PREFIX):
        raise HostileInputError("A C4 identifier is c4 and 88 characters.")
    number = 0
    for letter in text[len(PREFIX) :]:
        if letter not in _VALUES:
            raise HostileInputError("A C4 identifier holds a character outside of its alphabet.")
        number = number * len(ALPHABET) + _VALUES[letter]
    if number >= 1 << (8 * DIGEST_BYTES):
        raise HostileInputError("A C4 identifier stands for more than 512 bits.")
    return number.to_bytes(DIGEST_BYTES, "big")
