"""What offload, mirror and upload came to, in words.

Promise: a file is called proven only where the outcome counts it as proven; what was written and
not read back cold is said to be that, with why, and what would make it count.
"""

from collections.abc import Mapping, Sequence

from backupkeeper.core.outcomes import MirrorOutcome, OffloadOutcome, Trouble, UploadOutcome
from backupkeeper.core.typed import typed
from backupkeeper.report.exits import card_files
from backupkeeper.report.lines import Line, Look, Page, Tone
from backupkeeper.report.moving import say_moved
from backupkeeper.report.words import count, duration, plural, rate, shown, size, told


def offload_lines(outcome: OffloadOutcome, look: Look) -> list[Line]:
    """What an offload did, and what to do next."""
    page = Page(look)
    _say_offloaded(page, outcome)
    files = card_files(outcome)
    for place in outcome.places:
        _say_place(page, outcome, place, files)
    say_not_cold(page, outcome.not_cold)
    say_troubles(page, outcome.troubles)
    if outcome.specials:
        page.head("On the card and not copied: a wipe would lose it")
        page.grouped(outcome.specials, indent=2)
    if outcome.renamed:
        page.head("Names that a drive can't hold, and what they are there")
        for old, new in page.few(outcome.renamed, indent=2):
            page.line(f"  {shown(old)}")
            page.line(f"    {shown(new)}")
    if outcome.left_out:
        page.head("Left out")
        page.grouped(outcome.left_out, indent=2)
    say_sentences(page, "Not written yet (verify writes it)", outcome.unwritten)
    say_sentences(page, "Worth knowing", outcome.warnings)
    _say_what_next(page, outcome)
    return page.lines


def _say_offloaded(page: Page, outcome: OffloadOutcome) -> None:
    card = shown(outcome.card)
    if not outcome.sealed:
        page.say(f"NOT FINISHED: the offload of {card} stopped half way.", tone=Tone.BAD)
    new = f"{plural(outcome.new_files, 'new file')}, {size(outcome.new_bytes)}"
    if outcome.new_files or outcome.resumed_files:
        pace = ""
        if outcome.seconds >= 1 and outcome.new_bytes:
            pace = f", {rate(outcome.new_bytes / outcome.seconds)}"
        page.say(f"{new} from {card} in {duration(outcome.seconds)}{pace}.")
    elif outcome.known_files:
        was = (
            "its one file is"
            if outcome.known_files == 1
            else f"all {count(outcome.known_files)} files are"
        )
        page.say(f"Nothing new on {card}: {was} in earlier rolls.")
    else:
        page.say(f"Nothing could be taken from {card}.", tone=Tone.BAD)
    if outcome.folder is not None:
        page.line(f"  {shown(outcome.folder)}")
    if outcome.resumed_files:
        page.say(
            f"{plural(outcome.resumed_files, 'file')} had been brought over before it stopped."
        )
    if outcome.known_files and outcome.new_files:
        page.say(f"In earlier rolls already: {plural(outcome.known_files, 'file')} of the card.")


def _say_place(page: Page, outcome: OffloadOutcome, place: str, files: int) -> None:
    proven = outcome.proven_at.get(place, 0)
    whole = proven >= files > 0
    page.say(
        f"{shown(place)}: {count(proven)} of {plural(files, 'file')} of the card proven",
        indent=2,
        first=f"{page.look.full if whole else page.look.open} ",
        tone=Tone.GOOD if whole else Tone.WARN,
    )


def _say_what_next(page: Page, outcome: OffloadOutcome) -> None:
    page.head("What to do next")
    if not outcome.sealed:
        page.say("Repeat the same command: it goes on where it stopped. Keep the card.", indent=2)
        return
    page.say("Keep the card until this says yes:", indent=2)
    page.line(f"    backupkeeper may-wipe {typed(outcome.card)}")


def mirror_lines(outcome: MirrorOutcome, look: Look) -> list[Line]:
    """What was brought where, and what waits."""
    page = Page(look)
    if outcome.copied_files:
        what = f"{plural(outcome.copied_files, 'file')}, {size(outcome.copied_bytes)}"
        page.say(f"Copied {what}.")
    elif not (outcome.waiting or outcome.troubles):
        page.say(
            "Nothing to mirror: by all that is known no roll lacks a copy on a primary or secondary "
            "drive. (Only verify looks whether all of it is still there.)",
            tone=Tone.GOOD,
        )
    else:
        page.say("Nothing was copied.", tone=Tone.WARN)
    if outcome.rolls:
        page.head("Whole and proven now")
        for folder, place in page.few(outcome.rolls, indent=2):
            page.line(f"  {look.full} {shown(folder)}", Tone.GOOD)
            page.line(f"    {' ' * len(look.full)}at {shown(place)}")
    say_moved(page, outcome.moved)
    say_not_cold(page, outcome.not_cold)
    say_troubles(page, outcome.troubles)
    say_sentences(page, "Waiting", outcome.waiting)
    return page.lines


def upload_lines(outcomes: Sequence[UploadOutcome], look: Look) -> list[Line]:
    """What was sent to each bucket, and how it is known that it arrived."""
    page = Page(look)
    if not outcomes:
        page.say("There is no bucket to upload to: no place has the role cloud. Take one in:")
        page.line("    backupkeeper place add s3://BUCKET/PREFIX --role cloud --name NAME")
    for outcome in outcomes:
        page.gap()
        _say_bucket(page, outcome)
    return page.lines


def _say_bucket(page: Page, outcome: UploadOutcome) -> None:
    name = shown(outcome.bucket)
    if outcome.sent_files:
        what = f"{plural(outcome.sent_files, 'file')}, {size(outcome.sent_bytes)}"
        page.say(f"{name}: sent {what}.")
    elif outcome.troubles or outcome.waiting:
        page.say(f"{name}: nothing was sent.", tone=Tone.WARN)
    else:
        page.say(f"{name}: nothing to send.", tone=Tone.GOOD)
    if outcome.looked_at:
        page.say(f"{plural(outcome.looked_at, 'object')} stood there already and were looked at.")
    if outcome.listed:
        page.say(f"{plural(outcome.listed, 'manifest')} that still lacked there followed.")
    if outcome.fetched_back:
        page.say(told(outcome.fetched_back), indent=2)
    for warning in outcome.warnings:
        page.say(told(warning), indent=2, tone=Tone.WARN)
    say_troubles(page, outcome.troubles)
    say_sentences(page, "Waiting", outcome.waiting)


def say_manifest_faults(page: Page, faults: Sequence[Trouble]) -> None:
    """Manifests that contradict themselves, or the files."""
    if faults:
        page.head("Manifests that can't be believed")
    for fault in page.few(faults, indent=2):
        page.say(f"{shown(fault.place)}: {told(fault.message)}", indent=2, tone=Tone.BAD)
        page.paths([fault.path] if fault.path else [], indent=4)


def say_troubles(page: Page, troubles: Sequence[Trouble]) -> None:
    """What went wrong, grouped by place and message."""
    if not troubles:
        return
    page.head("What went wrong")
    groups: dict[tuple[str, str], list[str]] = {}
    for trouble in troubles:
        groups.setdefault((trouble.place, trouble.message), []).append(trouble.path)
    for (place, message), paths in page.few(list(groups.items()), indent=2):
        page.say(
            f"{shown(place)}: {told(message)}", indent=2, first=f"{page.look.dash} ", tone=Tone.BAD
        )
        page.paths([path for path in paths if path], indent=6)


def say_not_cold(page: Page, not_cold: Mapping[str, str]) -> None:
    """Which places could not be read cold: why, and what makes their copies count."""
    if not not_cold:
        return
    page.head("Not proven")
    for place, why in not_cold.items():
        page.say(
            f"{shown(place)}: {told(why) or 'It could not be read past the cache.'}",
            indent=2,
            first=f"{page.look.open} ",
            tone=Tone.WARN,
        )
        page.say(
            "What was read may have come from memory, so it counts as no proof. To make it count, "
            "unplug the drive, plug it in again, then:",
            indent=4,
        )
        page.line(f"      backupkeeper verify {typed(place)}")


def say_sentences(page: Page, title: str, sentences: Sequence[str]) -> None:
    """A heading and its sentences, if there are any."""
    if not sentences:
        return
    page.head(title)
    for sentence in page.few(sentences, indent=2):
        page.say(told(sentence), indent=2, first=f"{page.look.dash} ", tone=Tone.WARN)
