"""What ``verify`` found, in words and as JSON.

Promises:
1. What matches is counted, anything else is named: damage with its byte ranges, an edit as an edit.
2. Reads that did not come from the medium are not called proof; it is said what would make them so.
3. The JSON is one object of version 1: ``{"version", "what", "all_well", "matching_files",
   "matching_bytes", "checked": [{"place", "path", "finding", "size", "cold", "evidence", "damage":
   [[from, to]], "note"}], "not_cold": {name: why}, "manifests": [path], "manifest_faults":
   [trouble], "troubles": [{"place", "path", "message"}], "skipped": [text], "seconds"}``. Byte ranges
   are half-open.
"""

from typing import Any, assert_never

from backupkeeper.core.outcomes import Checked, Finding, VerifyOutcome
from backupkeeper.report.lines import (
    PATHS_SHOWN,
    Line,
    Look,
    Page,
    Tone,
    trouble_objects,
)
from backupkeeper.report.words import duration, plural, size

_ORDER = (
    Finding.DAMAGED,
    Finding.UNREADABLE,
    Finding.MISSING,
    Finding.CHANGED,
    Finding.UNKNOWN,
    Finding.MATCHES,
)
_RANGES_SHOWN = 5


def nothing_reached(outcome: VerifyOutcome) -> bool:
    """Whether what was asked for could not be read at all."""
    return bool(outcome.skipped or outcome.troubles) and not (
        outcome.matching_files or outcome.checked
    )


def verify_object(outcome: VerifyOutcome) -> dict[str, Any]:
    """The outcome for JSON."""
    return {
        "version": 1,
        "what": outcome.what,
        "all_well": outcome.all_well,
        "matching_files": outcome.matching_files,
        "matching_bytes": outcome.matching_bytes,
        "checked": [
            {
                "place": one.place,
                "path": one.path,
                "finding": one.finding.value,
                "size": one.size,
                "cold": one.cold,
                "evidence": one.evidence,
                "damage": [list(span) for span in one.damage],
                "note": one.note,
            }
            for one in outcome.checked
        ],
        "not_cold": dict(outcome.not_cold),
        "manifests": list(outcome.manifests),
        "manifest_faults": trouble_objects(outcome.manifest_faults),
        "troubles": trouble_objects(outcome.troubles),
        "skipped": list(outcome.skipped),
        "seconds": outcome.seconds,
    }


def verify_lines(outcome: VerifyOutcome, look: Look) -> list[Line]:
    """The outcome for a person."""
    page = Page(look=look)
    _first(page, outcome)
    for finding in _ORDER:
        _found(page, finding, [one for one in outcome.checked if one.finding is finding])
    page.not_cold(outcome.not_cold)
    page.troubles("Trouble", outcome.troubles)
    page.troubles("Manifests that can't be believed", outcome.manifest_faults)
    page.sentences("Not read", outcome.skipped)
    if outcome.manifests:
        page.gap()
        page.say(f"{plural(len(outcome.manifests), 'manifest')} written, one per roll and place.")
    return page.lines


def _first(page: Page, outcome: VerifyOutcome) -> None:
    took = f" in {duration(outcome.seconds)}" if outcome.seconds >= 1 else ""
    count = plural(outcome.matching_files, "file")
    told = f"{outcome.what}: {count} ({size(outcome.matching_bytes)}) read and matching{took}"
    if nothing_reached(outcome):
        page.say(f"{outcome.what}: nothing could be read.", tone=Tone.BAD)
    elif not outcome.all_well:
        page.say(f"{told}; not all is well.", tone=Tone.BAD)
    elif not outcome.matching_files:
        page.say(f"{outcome.what}: there was no file to read.")
    else:
        page.say(f"{told}.", tone=Tone.GOOD)


def _found(page: Page, finding: Finding, found: list[Checked]) -> None:
    if not found:
        return
    title, advice = _words(finding)
    page.head(f"{finding.value}: {plural(len(found), 'file')}, {title}")
    page.say(advice, indent=2, hang=2)
    for one in found[:PATHS_SHOWN]:
        after = [f"on {one.place}, {size(one.size)}"]
        if one.damage:
            after.append(_ranges(one.damage))
        if one.note:
            after.append(one.note)
        page.path(one.path, indent=4, after="; ".join(after))
    page.more(len(found) - PATHS_SHOWN)


def _ranges(damage: tuple[tuple[int, int], ...]) -> str:
    """Half-open ranges as first and last byte, counted from 0."""
    told = [f"{start:,} to {end - 1:,}" for start, end in damage[:_RANGES_SHOWN]]
    more = f" and {len(damage) - _RANGES_SHOWN:,} more ranges" if damage[_RANGES_SHOWN:] else ""
    return f"bytes {', '.join(told)}{more}"


def _words(finding: Finding) -> tuple[str, str]:
    match finding:
        case Finding.DAMAGED:
            return (
                "other bytes than were offloaded, size and time as they were",
                "Do not format or repair the drive; backupkeeper gaps shows which places are whole.",
            )
        case Finding.UNREADABLE:
            return (
                "the drive would not give the bytes",
                "Try another cable or port; suspect the drive if it stays so.",
            )
        case Finding.MISSING:
            return (
                "there before, gone now",
                "Nothing was deleted elsewhere for it. Bring it back: backupkeeper mirror",
            )
        case Finding.CHANGED:
            return (
                "edited, not rotted: size or time changed too",
                "Somebody changed an original. The other places keep it as it was.",
            )
        case Finding.UNKNOWN:
            return (
                "in a roll's folder, but of no roll",
                "They are kept nowhere else by backupkeeper. Move them out, or offload them.",
            )
        case Finding.MATCHES:
            return "matching, with something to know", "All bytes matched."
        case _:
            assert_never(finding)
