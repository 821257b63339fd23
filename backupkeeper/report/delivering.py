"""What was found of a delivery, and what came of taking it in, in words and as an object.

Promise: a file is counted as right only where it was read and its own manifests have its hash.
"""

from backupkeeper.core.delivering import DeliveryOutcome, Flaw
from backupkeeper.report.deeds import say_not_cold, say_sentences, say_troubles
from backupkeeper.report.exits import ATTENTION, NOT_FINISHED, WELL
from backupkeeper.report.lines import Line, Look, Page, Tone
from backupkeeper.report.verdict import Json
from backupkeeper.report.words import count, duration, plural, shown, size, told


def exit_of(outcome: DeliveryOutcome) -> int:
    """0: all of it is right, and taken in and proven where that was wanted; 3: it could not be ended."""
    if outcome.gone or (outcome.taken and outcome.roll is None and not outcome.flaws):
        return NOT_FINISHED
    return WELL if outcome.all_well else ATTENTION


def delivery_lines(outcome: DeliveryOutcome, look: Look) -> list[Line]:
    """What was found, what was done, and what to do next."""
    page = Page(look)
    by = " and ".join(outcome.forms)
    right = f"{plural(outcome.checked_files, 'file')}, {size(outcome.checked_bytes)}"
    page.say(
        f"{right} of {shown(outcome.delivered)}: as the delivered manifests say ({by}; in "
        f"{duration(outcome.seconds)})",
        first=f"{look.open if outcome.flaws else look.full} ",
        tone=Tone.WARN if outcome.flaws else Tone.GOOD,
    )
    for flaw in Flaw:
        found = [one for one in outcome.flaws if one.flaw is flaw]
        if found:
            page.head(f"{flaw.value.capitalize()}: {count(len(found))}")
            for one in page.few(found, indent=2):
                page.line(f"  {shown(one.path)}", Tone.BAD)
                if one.why:
                    page.say(told(one.why), indent=4)
    if outcome.taken:
        _say_taken(page, outcome)
    else:
        page.say("Nothing was taken in.")
    if outcome.renamed:
        page.head("Names that a drive can't hold, or that are ours, and what they are there")
        for old, new in page.few(outcome.renamed, indent=2):
            page.line(f"  {shown(old)}")
            page.line(f"    {shown(new)}")
    say_not_cold(page, outcome.not_cold)
    say_troubles(page, outcome.troubles)
    say_sentences(page, "Worth knowing", outcome.warnings)
    return page.lines


def _say_taken(page: Page, outcome: DeliveryOutcome) -> None:
    if outcome.roll is not None:
        page.say("Taken in as a roll:")
    elif outcome.flaws:
        page.say(
            "NOT TAKEN IN: no roll was sealed. Ask for what is wrong to be delivered again, and repeat "
            "the command; or take it in all the same with --as-it-is.",
            tone=Tone.BAD,
        )
    else:
        page.say("NOT FINISHED: repeat the same command, it goes on.", tone=Tone.BAD)
    if outcome.folder is not None:
        page.line(f"  {shown(outcome.folder)}")
    for place in outcome.places:
        proven = outcome.proven_at.get(place, 0)
        whole = proven >= outcome.files > 0 and outcome.roll is not None
        page.say(
            f"{shown(place)}: {count(proven)} of {plural(outcome.files, 'file')} proven",
            indent=2,
            first=f"{page.look.full if whole else page.look.open} ",
            tone=Tone.GOOD if whole else Tone.WARN,
        )
    if outcome.continued:
        page.say("The delivered ASC MHL history goes on there.", indent=2)


def delivery_json(outcome: DeliveryOutcome) -> Json:
    """Everything, as one object."""
    return {
        "version": 1,
        "delivered": outcome.delivered,
        "forms": list(outcome.forms),
        "all_well": outcome.all_well,
        "right_files": outcome.checked_files,
        "right_bytes": outcome.checked_bytes,
        "flaws": [
            {"path": one.path, "flaw": one.flaw.name.lower(), "why": one.why or None}
            for one in outcome.flaws
        ],
        "taken": outcome.taken,
        "sealed": outcome.roll is not None,
        "roll": outcome.roll.id if outcome.roll is not None else None,
        "folder": outcome.folder,
        "history_continued": outcome.continued,
        "files": outcome.files,
        "proven_at": dict(outcome.proven_at),
        "not_cold": dict(outcome.not_cold),
        "renamed": [{"path": old, "there": new} for old, new in outcome.renamed],
        "warnings": list(outcome.warnings),
        "troubles": [
            {"place": one.place, "path": one.path, "message": one.message}
            for one in outcome.troubles
        ],
        "seconds": round(outcome.seconds, 3),
    }
