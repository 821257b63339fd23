"""Uploads in parts that were begun and not ended: what is remembered of them, what may be used again.

Promises:
1. A part that the store says it has counts only if what it says of it (size and MD5, or the check
   that the store enforces) is what the bytes on the drive have now. Else the part is sent again.
2. An upload is given up only where its object stands already, or nobody has wanted it for
   ``KEPT_FOR`` and no part of it came for as long. Of uploads that this program did not begin nothing
   is said here.
3. Of an upload that another catalog began only its parts count, by what the store lists of them now.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

from backupkeeper.core.model import BLOCK_BYTES, Blake3
from backupkeeper.core.parts import (
    LARGEST_PART,
    MOST_PARTS,
    SMALLEST_PART,
    part_bytes,
    part_count,
)

KEPT_FOR: Final = timedelta(days=7)
"""How long an upload that nobody wants any more is left alone (the days that S3's guide gives a
lifecycle rule for the same, STANDARDS section 7.6)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Begun:
    """An upload in parts under way: all that is needed to go on with it.

    ``part_bytes`` is the size of every part but the last; ``check`` the ``x-amz-checksum-*`` with
    which the store was told that parts come (None: none); ``enforced`` the checks that the store
    was known to enforce when parts were sent; ``ticket`` marks the object that comes of it.
    """

    key: str
    content: Blake3
    upload: str
    part_bytes: int
    check: str | None
    enforced: tuple[str, ...]
    ticket: str
    begun_at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class Listed:
    """A part as the store lists it: not believed, compared."""

    number: int
    size: int
    etag: str
    checks: Mapping[str, str] = field(default_factory=dict)
    """Values of ``x-amz-checksum-*`` by boto3's parameter, where the store tells them."""
    at: datetime | None = None
    """When it arrived, by the store's clock, where it tells."""


def can_go_on(begun: Begun, *, size: int, check: str | None) -> bool:
    """Whether an upload can be gone on with as things are now.

    Args:
        begun: what is remembered of it.
        size: bytes of the file.
        check: the ``x-amz-checksum-*`` with which parts are sent now.
    """
    part = begun.part_bytes
    if part % BLOCK_BYTES or not SMALLEST_PART <= part <= LARGEST_PART:
        return False
    return begun.check == check and 1 < part_count(size, part) <= MOST_PARTS


def can_take_up(begun: Begun, *, size: int, check: str | None) -> bool:
    """Whether an upload that another catalog tells of can be gone on with here.

    As ``can_go_on``, and no part is larger than this program would ever make it: memory.
    """
    return can_go_on(begun, size=size, check=check) and begun.part_bytes <= part_bytes(size)


def shown_by_list(
    enforced: Collection[str],
    listed: Collection[Listed],
    *,
    md5: str,
    etag_is_md5: bool,
    check: tuple[str, str] | None,
) -> tuple[str, ...]:
    """Which checks parts that another catalog sent can be said to have passed; all, if there are none.

    Whether the store enforced anything when they arrived is not known. It lists now what it computed
    of each: where that is compared (``arrived``), it is as good as a check that it enforces.

    Args:
        enforced: the checks that the store is known to enforce now.
        listed: the parts that it lists.
        md5: what the check by MD5 is called among them.
        etag_is_md5: whether its ETags were seen to be MD5.
        check: the ``x-amz-checksum-*`` that is enforced, by name and boto3's parameter; None: none.
    """
    if not listed:
        return tuple(enforced)
    shown = {md5} if etag_is_md5 else set()
    if check is not None and all(check[1] in part.checks for part in listed):
        shown.add(check[0])
    return tuple(name for name in enforced if name in shown)


def arrived(
    listed: Listed | None,
    *,
    size: int,
    md5: str | None,
    checks: Mapping[str, str],
    check: str | None,
) -> bool:
    """Whether the store has this very part.

    Args:
        listed: what it lists under the part's number; None: nothing.
        size: bytes of the part as it was read now.
        md5: their MD5, in hex; None: not known.
        checks: the checks of these bytes by boto3's parameter.
        check: the parameter of the one that the store is known to enforce; None: none.
    """
    if listed is None or listed.size != size:
        return False
    told = None if check is None else listed.checks.get(check)
    if told is not None and told != checks.get(check or ""):
        return False
    # An ETag may be something else than the MD5 (STANDARDS section 7.2): then it is not equal to it.
    return told is not None or (md5 is not None and listed.etag == md5)


def is_stale(
    begun: Begun, now: datetime, *, wanted: bool, there: bool, last_part: datetime | None = None
) -> bool:
    """Whether an upload of ours is to be given up.

    Args:
        begun: what is remembered of it.
        now: the present time.
        wanted: whether its file is still to be sent to its key.
        there: whether its file is known to be there by now.
        last_part: when the last part of it came, if that is known: another machine may be at it.
    """
    alive = max(begun.begun_at, last_part or begun.begun_at)
    return there or (not wanted and now - alive >= KEPT_FOR)
