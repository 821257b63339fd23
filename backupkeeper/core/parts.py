"""Into which parts an object is cut on its way to a bucket: arithmetic only.

Promises:
1. A part is a whole number of blocks (``BLOCK_BYTES``), so a block is never split between parts.
2. No object gets more than ``MOST_PARTS`` parts, and no part more than ``LARGEST_PART`` bytes.
3. Parts stay at ``USUAL_PART`` bytes for as long as the store's limits allow, and as many of them
   travel at once as fit ``HELD_BYTES``, while one more is made ready: memory does not grow with the
   file.

The limits are those that Amazon S3 publishes (STANDARDS section 7.1); compatible stores may take
less, which they then say.
"""

from backupkeeper.core.errors import UsageError
from backupkeeper.core.model import BLOCK_BYTES

MEBIBYTE = 1024 * 1024
GIBIBYTE = 1024 * MEBIBYTE

MOST_PARTS = 10_000
"""An upload has parts 1 to 10,000."""
SMALLEST_PART = 5 * MEBIBYTE
"""Every part but the last has at least this many bytes."""
LARGEST_PART = 5 * GIBIBYTE
"""No part, and no upload in one piece, is larger."""
LARGEST_OBJECT = MOST_PARTS * LARGEST_PART
"""53,687,091,200,000 bytes."""
USUAL_PART = 16 * MEBIBYTE
"""Enough for files up to 156 GiB."""
MOST_AT_ONCE = 4
"""Parts on their way at the same time."""
SMALL_FOR_A_PART = 8
"""So many small files may travel where one part may,"""
MOST_SMALL = 64
"""but never more than this."""
HELD_BYTES = MOST_AT_ONCE * USUAL_PART
"""So many bytes of parts travel at once, or one part where that is larger."""


def smallest_legal_part(size: int) -> int:
    """The least part size, in bytes, that a store allows for an object.

    Args:
        size: Bytes of the object.

    Returns:
        ``max(5 MiB, ceil(size / 10,000))``.

    Raises:
        UsageError: The object is larger than any part size allows.
    """
    if size > LARGEST_OBJECT:
        raise UsageError(
            f"A file of {size:,} bytes does not fit in a bucket: {LARGEST_OBJECT:,} is the limit.",
            advice="Keep it on drives only.",
        )
    return max(SMALLEST_PART, -(-size // MOST_PARTS))


def part_bytes(size: int, *, usual: int = USUAL_PART) -> int:
    """The part size to use for an object: whole blocks, legal, ``usual`` where that will do.

    Args:
        size: Bytes of the object.
        usual: Bytes of a part where the limits do not ask for more.

    Returns:
        Bytes of every part but the last; a multiple of ``BLOCK_BYTES``.

    Raises:
        UsageError: The object is larger than any part size allows.
    """
    least = max(smallest_legal_part(size), usual)
    return -(-least // BLOCK_BYTES) * BLOCK_BYTES


def part_count(size: int, part: int) -> int:
    """How many parts of ``part`` bytes an object of ``size`` bytes has; at least one."""
    return max(1, -(-size // part))


def size_of_part(size: int, part: int, number: int) -> int:
    """Bytes of part ``number`` (counted from 1) of an object of ``size`` bytes."""
    return min(part, size - (number - 1) * part)


def usual_part(at_once: int) -> int:
    """The part size for ordinary files if so many parts shall be held at once: less for more."""
    blocks = HELD_BYTES // max(1, at_once) // BLOCK_BYTES
    least = -(-SMALLEST_PART // BLOCK_BYTES)
    return min(USUAL_PART, max(least, blocks) * BLOCK_BYTES)


def parts_at_once(part: int, *, most: int = MOST_AT_ONCE) -> int:
    """How many parts may travel at the same time.

    Args:
        part: Bytes of a part.
        most: How many the person wants at most.

    Returns:
        At least one, and as many as fit ``HELD_BYTES``.
    """
    return max(1, min(most, HELD_BYTES // part))


def parts_held(part: int, *, at_once: int) -> int:
    """How many parts may be held while ``at_once`` travel.

    One more is gathered meanwhile, so that the line never waits for the drive; where parts are
    larger than usual, room for it is made first.
    """
    return at_once + 1 if part <= USUAL_PART else at_once


def small_at_once(parallel_parts: int) -> int:
    """How many small files may travel at once where so many parts may: they wait more than they move."""
    return min(MOST_SMALL, SMALL_FOR_A_PART * parallel_parts)
