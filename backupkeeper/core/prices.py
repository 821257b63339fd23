"""What a bucket costs, from prices that the person wrote down. Pure; no price is built in.

Promises:
1. Money is ``Decimal`` and exact; it is rounded only where it is shown.
2. A price that is not known makes the whole sum unknown (None), never cheaper.
3. What costs nothing (no byte, no request) costs nothing, whatever is not known.

A GB is 1,000,000,000 bytes, and a month is a month, as price lists have it; a store that counts
1,073,741,824 bytes as one is up to 7 percent cheaper than is said here.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from decimal import ROUND_HALF_UP, Decimal
from typing import Final

GB: Final = Decimal(1_000_000_000)
USUAL: Final = "STANDARD"
"""What the usual storage class is called where an answer does not name it."""
ARCHIVES: Final = frozenset({"GLACIER", "DEEP_ARCHIVE", "ARCHIVE_ACCESS", "DEEP_ARCHIVE_ACCESS"})
"""Storage classes whose bytes can't be had before they were thawed (S3 API, ``RestoreObject``)."""
_CENT: Final = Decimal("0.01")


@dataclass(frozen=True, kw_only=True, slots=True)
class Prices:
    """``[prices]``: None, or a class that is not there, is a price that is not known.

    ``month_gb`` is for a GB stored for a month, by storage class; ``fetch_gb`` for a GB that leaves
    the store; ``take_gb`` what a class charges on top of it for a GB taken out (or thawed);
    ``requests_1000`` for a thousand requests. ``currency`` is only shown.
    """

    currency: str = ""
    month_gb: Mapping[str, Decimal] = field(default_factory=dict, hash=False)
    fetch_gb: Decimal | None = None
    take_gb: Mapping[str, Decimal] = field(default_factory=dict, hash=False)
    requests_1000: Decimal | None = None

    @property
    def are_there(self) -> bool:
        """Whether any is known."""
        return bool(
            self.month_gb
            or self.take_gb
            or self.fetch_gb is not None
            or self.requests_1000 is not None
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class Held:
    """What a bucket holds in one storage class."""

    shelf: str
    objects: int
    size_bytes: int


@dataclass(frozen=True, kw_only=True, slots=True)
class BucketCost:
    """What a bucket holds and costs; None where a price is not known. ``trouble``: it could not be asked."""

    name: str
    held: tuple[Held, ...]
    currency: str
    a_month: Decimal | None = None
    to_fetch: Decimal | None = None
    trouble: str = ""

    @property
    def objects(self) -> int:
        """How many."""
        return sum(one.objects for one in self.held)

    @property
    def size_bytes(self) -> int:
        """Of all of them."""
        return sum(one.size_bytes for one in self.held)


def shelf_name(shelf: str) -> str:
    """A storage class by its name, the usual one too."""
    return shelf or USUAL


def is_asleep(shelf: str, thaw: str) -> bool:
    """Whether an object's bytes can't be had now.

    Args:
        shelf: its storage class.
        thaw: what HEAD says of thawing: a thawed copy reads ``ongoing-request="false"``.
    """
    return shelf in ARCHIVES and 'ongoing-request="false"' not in thaw


def is_thawing(thaw: str) -> bool:
    """Whether it was asked to be thawed, and that goes on."""
    return 'ongoing-request="true"' in thaw


def to_take(prices: Prices, shelf: str, size_bytes: int) -> Decimal | None:
    """What taking so many bytes out of a storage class costs, without the requests.

    A class without a price of its own in ``take_gb`` charges nothing on top, unless it is an archive:
    thawing is not free anywhere, so its price is then not known.
    """
    if not size_bytes:
        return Decimal(0)
    name = shelf_name(shelf)
    extra = prices.take_gb.get(name, None if name in ARCHIVES else Decimal(0))
    if prices.fetch_gb is None or extra is None:
        return None
    return (prices.fetch_gb + extra) * size_bytes / GB


def for_requests(prices: Prices, requests: int) -> Decimal | None:
    """What so many requests cost."""
    if not requests:
        return Decimal(0)
    return None if prices.requests_1000 is None else prices.requests_1000 * requests / 1000


def in_all(costs: Iterable[Decimal | None]) -> Decimal | None:
    """The sum; None where one of them is not known."""
    total = Decimal(0)
    for cost in costs:
        if cost is None:
            return None
        total += cost
    return total


def a_month(prices: Prices, held: Iterable[Held]) -> Decimal | None:
    """What storing it costs for a month."""
    return in_all(
        Decimal(0)
        if not one.size_bytes
        else prices.month_gb[shelf_name(one.shelf)] * one.size_bytes / GB
        if shelf_name(one.shelf) in prices.month_gb
        else None
        for one in held
    )


def to_fetch_all(prices: Prices, held: Iterable[Held]) -> Decimal | None:
    """What fetching all of it back costs: two requests an object (a look and the bytes)."""
    known = tuple(held)
    return in_all(
        [
            *(to_take(prices, one.shelf, one.size_bytes) for one in known),
            for_requests(prices, sum(requests_for(one.objects) for one in known)),
        ]
    )


def requests_for(objects: int) -> int:
    """How many requests it takes to fetch so many objects, at the least."""
    return 2 * objects


def money(amount: Decimal | None, currency: str) -> str:
    """``12.35 EUR``; less than a cent, but not nothing, is said so."""
    if amount is None:
        return "not known: a price is missing in [prices]"
    shown = amount.quantize(_CENT, rounding=ROUND_HALF_UP)
    text = f"{shown:,}" if shown or not amount else "less than 0.01"
    return f"{text} {currency}".strip()
