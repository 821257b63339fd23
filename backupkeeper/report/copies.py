"""What ``mirror`` and ``upload`` came to, in words and as JSON.

Promises:
1. What waits is said with what it waits for; nothing is called proven here that was only sent.
2. JSON of ``mirror``, version 1: ``{"version", "copied_files", "copied_bytes", "rolls": [{"folder",
   "place"}], "waiting": [text], "not_cold": {name: why}, "troubles": [{"place", "path",
   "message"}]}``. JSON of ``upload``, version 1: ``{"version", "buckets": [{"bucket", "sent_files",
   "sent_bytes", "looked_at", "fetched_back": why|null, "waiting": [text], "troubles": […]}]}``.
"""

from collections.abc import Sequence
from typing import Any

from backupkeeper.core.outcomes import MirrorOutcome, UploadOutcome
from backupkeeper.report.lines import Line, Look, Page, Tone, trouble_objects
from backupkeeper.report.words import plural, size


def mirror_well(outcome: MirrorOutcome) -> bool:
    """Whether nothing waits and nothing went wrong."""
    return not (outcome.waiting or outcome.troubles or outcome.not_cold)


def upload_well(outcomes: Sequence[UploadOutcome]) -> bool:
    """Whether there is a bucket, nothing waits and nothing went wrong."""
    return bool(outcomes) and not any(one.waiting or one.troubles for one in outcomes)


def mirror_object(outcome: MirrorOutcome) -> dict[str, Any]:
    """The outcome of ``mirror`` for JSON."""
    return {
        "version": 1,
        "copied_files": outcome.copied_files,
        "copied_bytes": outcome.copied_bytes,
        "rolls": [{"folder": folder, "place": place} for folder, place in outcome.rolls],
        "waiting": list(outcome.waiting),
        "not_cold": dict(outcome.not_cold),
        "troubles": trouble_objects(outcome.troubles),
    }


def mirror_lines(outcome: MirrorOutcome, look: Look) -> list[Line]:
    """The outcome of ``mirror`` for a person."""
    page = Page(look=look)
    well = mirror_well(outcome)
    tone = Tone.GOOD if well else Tone.BAD
    if outcome.copied_files:
        read = "each copy read back" if not outcome.not_cold else "not all of it proven"
        page.say(
            f"Mirrored {plural(outcome.copied_files, 'file')} ({size(outcome.copied_bytes)}), "
            f"{read}.",
            tone=tone,
        )
    elif well:
        page.say("Nothing to mirror: no drive that is here lacks a roll.", tone=tone)
    else:
        page.say("Nothing was mirrored.", tone=tone)
    page.noted("Complete now", [(folder, f"on {place}") for folder, place in outcome.rolls])
    page.sentences("Waiting", outcome.waiting)
    page.not_cold(outcome.not_cold)
    page.troubles("Trouble", outcome.troubles)
    return page.lines


def upload_object(outcomes: Sequence[UploadOutcome]) -> dict[str, Any]:
    """The outcome of ``upload`` for JSON."""
    return {
        "version": 1,
        "buckets": [
            {
                "bucket": one.bucket,
                "sent_files": one.sent_files,
                "sent_bytes": one.sent_bytes,
                "looked_at": one.looked_at,
                "fetched_back": one.fetched_back,
                "waiting": list(one.waiting),
                "troubles": trouble_objects(one.troubles),
            }
            for one in outcomes
        ],
    }


def upload_lines(outcomes: Sequence[UploadOutcome], look: Look) -> list[Line]:
    """The outcome of ``upload`` for a person."""
    page = Page(look=look)
    if not outcomes:
        page.say("There is no bucket yet, so nothing was uploaded.", tone=Tone.BAD)
        page.say(
            "Take one in: backupkeeper place add s3://BUCKET/PREFIX --role cloud --name NAME",
            hang=2,
        )
    for one in outcomes:
        page.gap()
        well = not (one.waiting or one.troubles)
        if one.sent_files:
            told = f"{one.bucket}: sent {plural(one.sent_files, 'file')} ({size(one.sent_bytes)})."
        else:
            told = f"{one.bucket}: nothing was sent."
        page.say(told, tone=Tone.GOOD if well else Tone.BAD)
        if one.looked_at:
            page.say(f"{plural(one.looked_at, 'object')} stood there before.", indent=2)
        if one.fetched_back:
            page.say(one.fetched_back, indent=2)
        page.sentences(f"{one.bucket}: waiting", one.waiting)
        page.troubles(f"{one.bucket}: trouble", one.troubles)
    return page.lines
