"""What an offload came to, in words and as JSON.

Promises:
1. A file is called proven only where it is; what was written and not read cold is said to be so.
2. The JSON is one object of version 1: ``{"version", "card", "folder", "roll": id|null, "sealed",
   "all_proven", "new_files", "new_bytes", "known_files", "resumed_files", "places": [name],
   "proven_at": {name: files}, "not_cold": {name: why}, "left_out": [{"path", "why"}],
   "specials": [{"path", "why"}], "renamed": [{"path", "became"}], "warnings": [text],
   "troubles": [{"place", "path", "message"}], "seconds"}``.
"""

from typing import Any

from backupkeeper.core.outcomes import OffloadOutcome
from backupkeeper.report.lines import Line, Look, Page, Tone, pair_objects, trouble_objects
from backupkeeper.report.words import duration, plural, size


def all_proven(outcome: OffloadOutcome) -> bool:
    """Whether every file of the card is proven on every drive that was here, and nothing stayed out."""
    total = card_files(outcome)
    return (
        outcome.sealed
        and not outcome.troubles
        and not outcome.not_cold
        and not outcome.specials
        and bool(outcome.proven_at)
        and all(count == total for count in outcome.proven_at.values())
    )


def card_files(outcome: OffloadOutcome) -> int:
    """Files of the card that were read: taken now or known before (``new_files`` leaves out resumed)."""
    return outcome.new_files + outcome.resumed_files + outcome.known_files


def offload_object(outcome: OffloadOutcome) -> dict[str, Any]:
    """The outcome for JSON."""
    return {
        "version": 1,
        "card": outcome.card,
        "folder": outcome.folder,
        "roll": outcome.roll.id if outcome.roll is not None else None,
        "sealed": outcome.sealed,
        "all_proven": all_proven(outcome),
        "new_files": outcome.new_files,
        "new_bytes": outcome.new_bytes,
        "known_files": outcome.known_files,
        "resumed_files": outcome.resumed_files,
        "places": list(outcome.places),
        "proven_at": dict(outcome.proven_at),
        "not_cold": dict(outcome.not_cold),
        "left_out": pair_objects(outcome.left_out),
        "specials": pair_objects(outcome.specials),
        "renamed": pair_objects(outcome.renamed, "became"),
        "warnings": list(outcome.warnings),
        "troubles": trouble_objects(outcome.troubles),
        "seconds": outcome.seconds,
    }


def offload_lines(outcome: OffloadOutcome, look: Look) -> list[Line]:
    """The outcome for a person."""
    page = Page(look=look)
    _first(page, outcome)
    if outcome.folder is not None:
        page.path(outcome.folder, indent=2)
    for told in (
        outcome.resumed_files
        and f"{plural(outcome.resumed_files, 'file')} had come over before an interruption.",
        outcome.known_files
        and f"{plural(outcome.known_files, 'file')} belonged to an earlier roll already.",
    ):
        if told:
            page.say(told, indent=2)
    total = card_files(outcome)
    if outcome.proven_at:
        page.head("Proven, of the files of this card")
        for name, count in outcome.proven_at.items():
            page.say(f"{name}: {count:,} of {total:,}", indent=2)
    page.not_cold(outcome.not_cold)
    page.troubles("Trouble", outcome.troubles)
    page.noted("Not taken (no plain files)", outcome.specials)
    page.noted("Left out (system files that no camera made)", outcome.left_out)
    page.noted(
        "Renamed on a drive that can't hold the name",
        [(path, f"became {became}") for path, became in outcome.renamed],
    )
    page.sentences("To know", outcome.warnings)
    page.gap()
    if not outcome.sealed:
        page.say("Repeat the same command to go on where it stopped.")
    page.say("Before you wipe the card, ask: backupkeeper may-wipe CARD", hang=2)
    return page.lines


def _first(page: Page, outcome: OffloadOutcome) -> None:
    took = f" in {duration(outcome.seconds)}" if outcome.seconds >= 1 else ""
    new = f"{plural(outcome.new_files, 'new file')} ({size(outcome.new_bytes)})"
    if not outcome.sealed:
        page.say(f"NOT FINISHED: {new} written; the roll is not complete.", tone=Tone.BAD)
    elif outcome.roll is None:
        page.say("Nothing new on this card.", tone=Tone.GOOD if all_proven(outcome) else Tone.BAD)
    elif all_proven(outcome):
        drives = plural(len(outcome.places), "drive")
        page.say(f"Offloaded: {new} on {drives}, each copy read back{took}.", tone=Tone.GOOD)
    else:
        page.say(f"Offloaded with something to look at: {new}{took}.", tone=Tone.BAD)
