"""What ``adopt`` found at a place and what it took in, in words and as an object.

Promise: what was only looked at is never called proven; what could not be placed is listed with the
very options that would place it, and nothing that was met is passed over.
"""

from collections.abc import Mapping

from backupkeeper.core.adopting import AdoptAll, AdoptPlan, FoundFolder, FoundRoll, OldHashes
from backupkeeper.core.outcomes import AdoptOutcome
from backupkeeper.core.typed import typed
from backupkeeper.report.deeds import say_troubles
from backupkeeper.report.lines import Line, Look, Page, Tone
from backupkeeper.report.words import count, duration, plural, rate, shown, size, told

Json = Mapping[str, object]


def adopt_lines(outcome: AdoptAll, look: Look) -> list[Line]:
    """The report on a terminal."""
    page = Page(look)
    plan = outcome.plan
    new = sum(roll.size_bytes for roll in plan.new)
    if outcome.dry_run:
        page.say(
            f"{shown(plan.place)}: {plural(len(plan.new), 'roll')} to take in, {size(new)}. Nothing was "
            "read or changed."
        )
        if plan.new:
            _say_time(page, plan)
    _say_done(page, outcome)
    if outcome.dry_run:
        _say_found(page, plan)
    known = [roll for roll in plan.rolls if roll.known]
    if known:
        page.head("Known already")
        for roll in page.few(known, indent=2):
            page.say(f"{shown(roll.folder)}: {roll.known}", indent=2, first=f"{look.dash} ")
    _say_unplaced(page, plan)
    _say_folders(page, "Left out", plan.left_out)
    _say_folders(page, "Other files, left as they are", plan.others)
    say_troubles(page, (*plan.troubles, *outcome.failed))
    _say_next(page, outcome)
    return page.lines


def _say_time(page: Page, plan: AdoptPlan) -> None:
    if plan.seconds is None or plan.rate is None:
        page.say(
            "How long reading takes is not known: this drive was not measured yet (--rate says how many "
            "MB it gives in a second)."
        )
        return
    page.say(
        f"Reading all of it twice (to learn it, to prove it) takes about {duration(plan.seconds)} at "
        f"{rate(plan.rate)}. It can be interrupted at any time, and goes on."
    )


def _say_found(page: Page, plan: AdoptPlan) -> None:
    if plan.new:
        page.head("Would be taken in")
    for roll in page.few(plan.new, indent=2):
        named = roll.named
        page.say(f"{shown(roll.folder) or '.'}", indent=2, first=f"{page.look.dash} ")
        page.say(
            f"as {shown(named.shoot)} / {shown(named.source)} / {shown(named.roll)} ({named.why}): "
            f"{plural(roll.files, 'file')}, {plural(roll.clips, 'clip')}, {size(roll.size_bytes)}",
            indent=4,
        )
        old = _old(roll)
        if old:
            page.say(f"old hashes to compare with: {old}", indent=4)


def _old(roll: FoundRoll) -> str:
    kinds = [one.kind for one in roll.old]
    histories, lists = kinds.count(OldHashes.HISTORY), kinds.count(OldHashes.LIST)
    words = [plural(histories, "ASC MHL history", "ASC MHL histories")] if histories else []
    words += [plural(lists, "checksum list")] if lists else []
    return ", ".join(words)


def _say_done(page: Page, outcome: AdoptAll) -> None:
    if outcome.dry_run:
        return
    if not outcome.done:
        page.say(f"{shown(outcome.plan.place)}: nothing new was taken in.")
        return
    files, held = (
        sum(one.files for one in outcome.done),
        sum(one.size_bytes for one in outcome.done),
    )
    proven = sum(one.proven for one in outcome.done)
    page.say(
        f"{shown(outcome.plan.place)}: {plural(len(outcome.done), 'roll')} taken in, "
        f"{plural(files, 'file')}, {size(held)}; {count(proven)} of them proven."
    )
    for one in page.few(outcome.done, indent=2):
        _say_one(page, one)


def _say_one(page: Page, one: AdoptOutcome) -> None:
    whole = one.proven == one.files and not one.troubles
    page.say(
        f"{shown(one.folder)}: {count(one.proven)} of {plural(one.files, 'file')} proven",
        indent=2,
        first=f"{page.look.full if whole else page.look.open} ",
        tone=Tone.GOOD if whole else Tone.WARN,
    )
    if one.confirmed:
        page.say(f"{plural(one.confirmed, 'file')} as older hashes say", indent=6)
    if one.not_there:
        page.say(f"{plural(len(one.not_there), 'file')} that a list names, not there:", indent=6)
        page.paths(one.not_there, indent=8)
    if one.not_cold:
        page.say(f"Not proven: {told(one.not_cold)}", indent=6, tone=Tone.WARN)
    for warning in one.warnings:
        page.say(told(warning), indent=6)
    for trouble in page.few(one.troubles, indent=6):
        page.line(f"      {shown(trouble.path)}", Tone.BAD)
        page.say(told(trouble.message), indent=8, tone=Tone.BAD)


def _say_unplaced(page: Page, plan: AdoptPlan) -> None:
    if not plan.unplaced:
        return
    page.head("Not placed: say what these are")
    for one in page.few(plan.unplaced, indent=2):
        _say_folder(page, one)
        words = ["backupkeeper", "adopt", typed(plan.place)]
        words += [typed(plan.path)] if plan.path else []
        page.line(f"      {' '.join([*words, *map(_option, one.options)])}")
    page.say(
        "In a layout * stands for a folder of any name; a whole folder is named with --shoot, --source "
        "and --roll.",
        indent=2,
    )


def _option(word: str) -> str:
    return word if word.startswith("--") else typed(word)


def _say_folders(page: Page, head: str, folders: tuple[FoundFolder, ...]) -> None:
    if not folders:
        return
    page.head(head)
    for one in page.few(folders, indent=2):
        _say_folder(page, one)


def _say_folder(page: Page, one: FoundFolder) -> None:
    why = f": {told(one.why)}" if one.why else ""
    page.say(
        f"{shown(one.folder) or '(not in a folder)'}{why} ({plural(one.files, 'file')}, "
        f"{size(one.size_bytes)})",
        indent=2,
        first=f"{page.look.dash} ",
    )


def _say_next(page: Page, outcome: AdoptAll) -> None:
    if outcome.dry_run and outcome.plan.new:
        page.gap()
        page.say("To do it, repeat the command without --dry-run.")
    if outcome.done:
        page.gap()
        page.say("What other places lack of it: backupkeeper gaps")


def adopt_json(outcome: AdoptAll) -> Json:
    """The outcome as one object.

    ``{"version": 1, "dry_run", "place", "path", "rate_bytes_per_second", "seconds", "rolls": [{"folder",
    "shoot", "source", "roll", "why", "files", "clips", "bytes", "known", "old_hashes": [{"kind", "path"}]}],
    "unplaced", "left_out", "others": [{"folder", "why", "files", "bytes", "options"}], "taken_in":
    [{"folder", "roll_folder", "files", "bytes", "proven", "confirmed", "not_there", "not_cold",
    "warnings", "troubles"}], "failed", "troubles": [{"place", "path", "message"}]}``.
    """
    plan = outcome.plan
    return {
        "version": 1,
        "dry_run": outcome.dry_run,
        "place": plan.place,
        "path": plan.path,
        "rate_bytes_per_second": plan.rate,
        "seconds": None if plan.seconds is None else round(plan.seconds, 1),
        "rolls": [_roll_json(roll) for roll in plan.rolls],
        "unplaced": [_folder_json(one) for one in plan.unplaced],
        "left_out": [_folder_json(one) for one in plan.left_out],
        "others": [_folder_json(one) for one in plan.others],
        "taken_in": [_done_json(one) for one in outcome.done],
        "failed": [_trouble(one.place, one.path, one.message) for one in outcome.failed],
        "troubles": [_trouble(one.place, one.path, one.message) for one in plan.troubles],
    }


def _trouble(place: str, path: str, message: str) -> Json:
    return {"place": place, "path": path, "message": message}


def _roll_json(roll: FoundRoll) -> Json:
    return {
        "folder": roll.folder,
        "shoot": roll.named.shoot,
        "source": roll.named.source,
        "roll": roll.named.roll,
        "why": roll.named.why,
        "files": roll.files,
        "clips": roll.clips,
        "bytes": roll.size_bytes,
        "known": roll.known,
        "old_hashes": [{"kind": one.kind.value, "path": one.path} for one in roll.old],
    }


def _folder_json(one: FoundFolder) -> Json:
    return {
        "folder": one.folder,
        "why": one.why,
        "files": one.files,
        "bytes": one.size_bytes,
        "options": list(one.options),
    }


def _done_json(one: AdoptOutcome) -> Json:
    return {
        "folder": one.folder,
        "roll_folder": one.roll.folder,
        "files": one.files,
        "bytes": one.size_bytes,
        "proven": one.proven,
        "confirmed": one.confirmed,
        "not_there": list(one.not_there),
        "not_cold": one.not_cold,
        "warnings": list(one.warnings),
        "troubles": [_trouble(two.place, two.path, two.message) for two in one.troubles],
    }
