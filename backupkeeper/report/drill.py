"""What a restore drill came to, in words and as an object."""

from backupkeeper.core.drilling import DrillOutcome, DrillResult
from backupkeeper.report.deeds import say_sentences
from backupkeeper.report.lines import Line, Look, Page, Tone
from backupkeeper.report.restore import restore_json, restore_lines
from backupkeeper.report.verdict import Json
from backupkeeper.report.words import plural, shown, size


def drill_lines(outcome: DrillOutcome, look: Look) -> list[Line]:
    """Whether the shoot came back right; all about its restore where it did not."""
    page = Page(look)
    if outcome.result is None:
        page.say("Nothing was done.")
        return page.lines
    restored = outcome.restored
    what = f"{plural(restored.restored_files, 'file')}, {size(restored.restored_bytes)}"
    who = f"{shown(outcome.shoot)} from {shown(outcome.place)}"
    if outcome.result is DrillResult.RIGHT:
        page.say(
            f"Restore drill: {who} came back whole: {what}, each compared, then once more by the "
            "manifests alone.",
            first=f"{look.full} ",
            tone=Tone.GOOD,
        )
    else:
        word = "did not come back right" if outcome.result is DrillResult.WRONG else _UNFINISHED
        page.say(f"Restore drill: {who} {word}.", first=f"{look.open} ", tone=Tone.BAD)
        say_sentences(page, "Once more", outcome.notes)
        page.gap()
        page.lines += restore_lines(restored, look)
    if outcome.left:
        page.head(
            f"Left in the scratch folder, for it is not what was brought there: {len(outcome.left)}"
        )
        page.line(f"  {shown(outcome.folder)}")
        page.paths(outcome.left, indent=4)
    else:
        page.say("What was brought was removed again.", indent=2)
    return page.lines


_UNFINISHED = "could not be brought back whole now: this drill does not count"


def drill_json(outcome: DrillOutcome) -> Json:
    """``result`` is null where it was not made."""
    return {
        "version": 1,
        "shoot": outcome.shoot,
        "from": outcome.place,
        "folder": outcome.folder,
        "result": outcome.result.value if outcome.result is not None else None,
        "restore": restore_json(outcome.restored),
        "notes": list(outcome.notes),
        "left": list(outcome.left),
        "seconds": round(outcome.seconds, 3),
    }
