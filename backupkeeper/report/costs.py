"""What buckets hold and cost, in words and as an object. Without prices only sizes are told."""

from collections.abc import Sequence

from backupkeeper.core.prices import BucketCost, money, requests_for, shelf_name
from backupkeeper.report.lines import Line, Look, Page, Tone
from backupkeeper.report.verdict import Json
from backupkeeper.report.words import count, plural, shown, size, told


def cost_lines(costs: Sequence[BucketCost], look: Look) -> list[Line]:
    """Each bucket: what lies in which class, a month of it, and fetching all of it back."""
    page = Page(look)
    if not costs:
        page.say("There is no bucket among the places.")
    for one in costs:
        page.gap()
        _say(page, one)
    return page.lines


def _say(page: Page, one: BucketCost) -> None:
    page.line(shown(one.name), Tone.HEAD)
    if one.trouble:
        page.say(told(one.trouble), indent=2, tone=Tone.BAD)
        return
    for held in one.held:
        page.say(
            f"{told(shelf_name(held.shelf))}: {plural(held.objects, 'object')}, "
            f"{size(held.size_bytes)}",
            indent=2,
        )
    page.say(
        f"In all {size(one.size_bytes)}; older versions that the bucket may keep are not counted.",
        indent=2,
    )
    page.say(f"A month: {money(one.a_month, one.currency)}", indent=2)
    page.say(
        f"To fetch all of it back ({count(requests_for(one.objects))} requests at least): "
        f"{money(one.to_fetch, one.currency)}",
        indent=2,
    )


def cost_json(costs: Sequence[BucketCost]) -> Json:
    """Money as text with all its digits; null where a price is not known."""
    return {"version": 1, "buckets": [bucket_json(one) for one in costs]}


def bucket_json(one: BucketCost) -> Json:
    """What one bucket holds and costs."""
    return {
        "name": one.name,
        "classes": [
            {
                "class": shelf_name(held.shelf),
                "objects": held.objects,
                "bytes": held.size_bytes,
            }
            for held in one.held
        ],
        "a_month": str(one.a_month) if one.a_month is not None else None,
        "to_fetch_all": str(one.to_fetch) if one.to_fetch is not None else None,
        "requests": requests_for(one.objects),
        "currency": one.currency or None,
        "trouble": one.trouble or None,
    }
