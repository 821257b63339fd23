"""The page's places: drives and buckets, what is on them, and what is known of how they are."""

from datetime import datetime, tzinfo
from typing import Final

from backupkeeper.core.model import Standing
from backupkeeper.core.overview import BucketLine, DriveLine, Overview
from backupkeeper.core.prices import money
from backupkeeper.core.trends import Advice, Level
from backupkeeper.report.html import Child, Markup, Shape, Tone, element, joined, state
from backupkeeper.report.overview_words import filling_words, kind_words
from backupkeeper.report.page_tables import cell, row, table, under
from backupkeeper.report.page_words import NEVER, label, long_ago, moment_of, sentence
from backupkeeper.report.words import plural, size

_ADVICE: Final = {
    Level.FINE: (Shape.FULL, Tone.GOOD),
    Level.WATCH: (Shape.PART, Tone.QUIET),
    Level.CABLE: (Shape.PART, Tone.WARN),
    Level.REPLACE: (Shape.CROSS, Tone.BAD),
}


def drives(overview: Overview, zone: tzinfo) -> Markup:
    """Every drive, one row each."""
    parts: list[Child] = [element("h2", "Drives")]
    if not overview.drives:
        parts.append(
            element(
                "p",
                "No drive was taken in yet. ",
                element(
                    "code", "backupkeeper place add PATH --role primary --name NAME", class_="type"
                ),
            )
        )
    else:
        rows = [_drive_row(one, overview.at, zone) for one in overview.drives]
        parts.append(table("drives", "Drives and folders among the places", rows, is_told=False))
    return element("section", *parts, id="drives")


def _drive_row(one: DriveLine, now: datetime, zone: tzinfo) -> Markup:
    is_active = one.place.standing is Standing.ACTIVE
    full = filling_words(one.filling, now, zone) if is_active else one.place.standing.value
    return row(
        joined(label(one.place.name), under(kind_words(one.place))),
        cell(*_held(one.held_bytes, one.held_files)),
        cell(*_room(one, zone)),
        cell(*_health(one)),
        cell(*_here(one, now, zone)),
        cell(*_proven(one, now, zone)),
        cell(sentence(full)),
        data_place=one.place.id,
    )


def _held(held: int, files: int) -> tuple[Child, ...]:
    return size(held), under(plural(files, "file"))


def _room(one: DriveLine, zone: tzinfo) -> list[Child]:
    if one.free_bytes is None:
        whole = one.place.size_bytes
        known = [under(f"of {size(whole)}")] if whole else []
        return [element("span", "not known", class_="quiet"), *known]
    parts: list[Child] = [f"{size(one.free_bytes)} free"]
    if one.place.size_bytes:
        parts.append(under(f"of {size(one.place.size_bytes)}"))
    if one.free_at is not None and not one.is_here:
        parts.append(under("as of ", moment_of(one.free_at, zone)))
    return parts


def _health(one: DriveLine) -> list[Child]:
    parts: list[Child] = []
    if one.place.standing is not Standing.ACTIVE:
        parts.append(state(Shape.DASH, Tone.QUIET, one.place.standing.value))
        return parts
    if one.is_bare:
        parts.append(element("div", state(Shape.CROSS, Tone.BAD, "here without its marker")))
        parts.append(under("Nothing on it counts. Look what happened there."))
    if one.in_doubt:
        parts.append(element("div", state(Shape.CROSS, Tone.BAD, "in doubt as a whole")))
        parts.append(
            under("Much of it was bad at once. Nothing is mended there until it was read again.")
        )
    if one.advice is not None and one.advice.level is not Level.FINE:
        parts += _advice(one.advice)
    return parts or [element("span", "nothing bad is known", class_="quiet")]


def _advice(advice: Advice) -> list[Child]:
    which, tone = _ADVICE[advice.level]
    return [
        element("div", state(which, tone, advice.words)),
        *(under(sentence(reason)) for reason in advice.reasons),
    ]


def _here(one: DriveLine, now: datetime, zone: tzinfo) -> list[Child]:
    if one.is_here:
        return [state(Shape.FULL, Tone.GOOD, "here now")]
    if one.last_seen is None:
        return [element("span", "not seen since it was taken in", class_="quiet")]
    return [long_ago(one.last_seen, now, zone)]


def _proven(one: DriveLine | BucketLine, now: datetime, zone: tzinfo) -> list[Child]:
    parts: list[Child] = [long_ago(one.last_proven, now, zone)]
    if one.oldest_proof is not None:
        parts.append(under("oldest proof ", long_ago(one.oldest_proof, now, zone)))
    return parts


def buckets(overview: Overview, zone: tzinfo) -> Markup:
    """Every bucket, one row each."""
    parts: list[Child] = [element("h2", "Buckets")]
    if not overview.buckets:
        parts.append(
            element(
                "p",
                "No bucket was taken in yet. ",
                element(
                    "code",
                    "backupkeeper place add s3://BUCKET/PREFIX --role cloud --name NAME",
                    class_="type",
                ),
            )
        )
    else:
        rows = [_bucket_row(one, overview.at, zone) for one in overview.buckets]
        parts.append(table("buckets", "Buckets among the places", rows, is_told=False))
    return element("section", *parts, id="buckets")


def _bucket_row(one: BucketLine, now: datetime, zone: tzinfo) -> Markup:
    standing = one.place.standing
    gone = element("div", state(Shape.DASH, Tone.QUIET, standing.value))
    return row(
        joined(
            label(one.place.name),
            under(kind_words(one.place)),
            None if standing is Standing.ACTIVE else gone,
        ),
        cell(*_held(one.held_bytes, one.held_files)),
        cell(long_ago(one.checked_at, now, zone)),
        cell(*_proven(one, now, zone)),
        cell(plural(one.fetched_files, "file") if one.fetched_files else NEVER),
        cell(*_cost(one)),
        cell(long_ago(one.snapshot_at, now, zone)),
        data_place=one.place.id,
    )


def _cost(one: BucketLine) -> list[Child]:
    cost = one.cost
    if cost is None:
        return [element("span", "no prices are set", class_="quiet")]
    if cost.trouble:
        return [sentence(cost.trouble)]
    return [
        sentence(f"{money(cost.a_month, cost.currency)} a month"),
        under(sentence(f"{money(cost.to_fetch, cost.currency)} to fetch all back")),
    ]
