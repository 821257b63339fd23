"""What the sample of the buckets may still fetch this month, and whether that holds what it promises.

What was fetched is remembered as events of this machine: two machines have a budget each.
"""

from collections import Counter
from typing import Final

from backupkeeper.actions.context import Context
from backupkeeper.core.model import Event, EventKind, PlaceId, PlaceKind, Standing
from backupkeeper.core.prices import money
from backupkeeper.core.sampling import Outlook, Sampling, month_begin, outlook, spent_of

SAMPLE: Final = "sample"
_MONTHS: Final = 12


def sampling_now(context: Context) -> Sampling:
    """What is to be sampled now, with the buckets whose budget is used up."""
    proofs = context.config.proofs
    spent: frozenset[PlaceId] = frozenset()
    if proofs.budget.is_bounded:
        spent = spent_of(fetched_now(context), proofs.budget, context.config.prices)
    return Sampling(percent=proofs.bucket_sample_percent, years=proofs.bucket_years, spent=spent)


def fetched_now(context: Context) -> dict[PlaceId, tuple[int, int]]:
    """Bytes and files that were fetched this month within the budget, by bucket."""
    return {
        place.id: _fetched(context, place.id)
        for place in context.catalog.places()
        if place.kind is PlaceKind.BUCKET
    }


def _fetched(context: Context, place: PlaceId) -> tuple[int, int]:
    """Bytes and files of the sample this month."""
    sums: Counter[str] = Counter()
    since = month_begin(context.clock.now())
    for event in context.catalog.events(
        (EventKind.MOVED,), since=since, subject=f"{SAMPLE}|{place}"
    ):
        size, _, rest = event.detail.partition(" ")
        _, _, files = rest.partition(" ")
        if size.isdecimal():
            sums.update(bytes=int(size), files=int(files) if files.isdecimal() else 1)
    return sums["bytes"], sums["files"]


def note_sample(
    context: Context, place: PlaceId, size_bytes: int, seconds: float, files: int = 1
) -> None:
    """Remember that an object (or several, in a drill) was fetched within the sample's budget."""
    event = Event(
        at=context.clock.now(),
        kind=EventKind.MOVED,
        subject=f"{SAMPLE}|{place}",
        detail=f"{size_bytes} {seconds:.1f} {files}",
    )
    context.catalog.note([event])


def sample_warnings(context: Context) -> tuple[str, ...]:
    """A sentence for each bucket whose budget can't hold what ``bucket_years`` promises."""
    proofs, prices = context.config.proofs, context.config.prices
    if not proofs.bucket_years:
        return ()
    told = []
    for place in context.catalog.places():
        if place.kind is not PlaceKind.BUCKET or place.standing is not Standing.ACTIVE:
            continue
        files, size = context.catalog.holdings(place.id)
        made = outlook(size, files, proofs.bucket_years, proofs.budget, prices)
        if made is not None and not made.enough:
            told.append(_words(place.name, made, prices.currency))
    return tuple(told)


def _words(name: str, made: Outlook, currency: str) -> str:
    cost = f" ({money(made.cost, currency)})" if made.cost is not None else ""
    takes = (
        f"with the budget it takes {made.takes_years:.1f}"
        if made.takes_years is not None
        else "with the budget nothing is fetched at all"
    )
    return (
        f"{name}: to fetch everything back {_within(made.years)} takes "
        f"{made.needed_bytes / 1e9:,.1f} GB a month{cost}; {takes}. See bucket_years, bucket_month_gb and "
        "bucket_month_cost under [proofs]."
    )


def _within(years: int) -> str:
    return "within a year" if years == 1 else f"within {years} years"
