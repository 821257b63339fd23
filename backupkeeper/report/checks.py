"""What ``verify`` found, in words.

Promise: what was not read, or not read cold, is never among what matched.
"""

from collections.abc import Sequence
from types import MappingProxyType
from typing import Final

from backupkeeper.core.outcomes import Checked, Finding, VerifyOutcome
from backupkeeper.report.clips import clip_words
from backupkeeper.report.deeds import (
    say_manifest_faults,
    say_not_cold,
    say_sentences,
    say_troubles,
)
from backupkeeper.report.lines import Line, Look, Page, Tone
from backupkeeper.report.moving import say_moved
from backupkeeper.report.words import duration, plural, rate, shown, size, spans, told


def verify_lines(outcome: VerifyOutcome, look: Look) -> list[Line]:
    """What matched is counted, all else is named."""
    page = Page(look)
    pace = ""
    if outcome.seconds >= 1 and outcome.matching_bytes:
        pace = f" at {rate(outcome.matching_bytes / outcome.seconds)}"
    page.say(f"Read again: {shown(outcome.what)} (in {duration(outcome.seconds)}{pace})")
    what = f"{plural(outcome.matching_files, 'file')}, {size(outcome.matching_bytes)}"
    well = outcome.matching_files and outcome.all_well
    matches = "matches" if outcome.matching_files == 1 else "match"
    note = ", but not all were read cold: see below" if outcome.not_cold else ""
    page.say(
        f"{what}: {matches}{note}" if outcome.matching_files else "Nothing was read that matches.",
        indent=2,
        first=f"{look.full if well else look.open} ",
        tone=Tone.GOOD if well else Tone.WARN,
    )
    say_moved(page, outcome.moved)
    for finding in Finding:
        found = [one for one in outcome.checked if one.finding is finding]
        if found:
            _say_found(page, finding, found)
    say_not_cold(page, outcome.not_cold)
    say_manifest_faults(page, outcome.manifest_faults)
    say_troubles(page, outcome.troubles)
    say_sentences(page, "Not read", outcome.skipped)
    if outcome.manifests:
        page.head("Manifests written")
        page.paths(outcome.manifests, indent=2)
    return page.lines


def _say_found(page: Page, finding: Finding, found: Sequence[Checked]) -> None:
    title, advice = _WORDS[finding]
    page.head(f"{finding.value}: {plural(len(found), 'file')}")
    page.say(title, indent=2)
    for one in page.few(found, indent=4):
        page.line(f"    {shown(one.place)}: {shown(one.path)}", Tone.BAD)
        if one.damage:
            page.say(spans(one.damage, one.size), indent=6)
        if one.clip is not None:
            name = one.path.rpartition("/")[2]
            page.say(f"{shown(name)}: {told(clip_words(one.clip))}", indent=6)
        if one.note:
            page.say(told(one.note), indent=6)
    if advice:
        page.say(advice, indent=2)


_WORDS: Final = MappingProxyType[Finding, tuple[str, str]](
    {
        Finding.MATCHES: (
            "The bytes are right, and there is something to know about them.",
            "",
        ),
        Finding.DAMAGED: (
            (
                "Other bytes than were written, while size and time stand as they were: rot, or a bad "
                "cable when they were written."
            ),
            "'backupkeeper repair' mends it from another copy. Leave the file as it is until then.",
        ),
        Finding.CUT_OFF: (
            "It ends too early. Whole blocks of 4 MiB that are left of it are right.",
            "'backupkeeper repair' mends it from another copy.",
        ),
        Finding.CHANGED: (
            "Other bytes, and another size or time: somebody edited it.",
            (
                "Keep the edit under another name, outside the roll. 'backupkeeper repair --edited' then "
                "puts the original back, and sets the edited file aside."
            ),
        ),
        Finding.MISSING: (
            "It was here, and is not now.",
            "'backupkeeper mirror' brings it back to a drive, 'backupkeeper upload' to a bucket.",
        ),
        Finding.UNREADABLE: (
            "The drive would not give these bytes.",
            (
                "Try another cable or port first. 'backupkeeper repair' mends it from another copy. If "
                "more such files come, the drive is failing: replace it."
            ),
        ),
        Finding.UNSTABLE: (
            "Read three times it was never right, and never the same.",
            (
                "That is no sign against the drive yet: try another cable, another port, another "
                "computer, then verify it again. Nothing is mended until it reads the same twice."
            ),
        ),
        Finding.NOT_AS_LISTED: (
            "Other bytes than the manifest beside it says: damaged, or edited since.",
            (
                "If this folder was restored: move the file away and repeat the same restore, which "
                "keeps what is right. Else fetch it from where the folder came from."
            ),
        ),
        Finding.UNKNOWN: (
            "Where a roll lies, but no roll knows these bytes. They are not kept anywhere else.",
            "Move it out of the roll if it is wanted.",
        ),
    }
)
"""What a finding means, and what to do."""
