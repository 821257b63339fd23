"""What ``repair`` did, or would do, in words and as an object.

Promise: a copy is called proven only where what took its place was read back from the medium; what
is lost is named to the byte, and for clips to the second.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import TypeVar

from backupkeeper.core.harm import ROTTEN
from backupkeeper.core.mending import KeptAside, Mended, Patient, Planned, RepairOutcome, Unmended
from backupkeeper.core.model import Result
from backupkeeper.core.outcomes import Trouble
from backupkeeper.core.ranges import length
from backupkeeper.report.clips import clip_json, clip_words
from backupkeeper.report.deeds import say_manifest_faults, say_sentences, say_troubles
from backupkeeper.report.lines import Line, Look, Page, Tone
from backupkeeper.report.verdict import Json
from backupkeeper.report.words import duration, plural, shown, size, spans, told

_T = TypeVar("_T")


def repair_lines(outcome: RepairOutcome, look: Look) -> list[Line]:
    """What was mended, what could not be, and what was left."""
    page = Page(look)
    what = shown(outcome.what)
    if outcome.dry_run:
        page.say(f"What a repair of {what} would do. Nothing was read or written.")
    else:
        page.say(f"Repair of {what} (in {duration(outcome.seconds)})")
    _say_came_right(page, outcome)
    able = [one for one in outcome.planned if not one.sharing.lost]
    unable = [one for one in outcome.planned if one.sharing.lost]
    _say_each(page, "would be mended, as far as is known", able, _say_planned)
    _say_each(page, "would not be mended, as far as is known", unable, _say_planned)
    _say_each(page, "mended", outcome.mended, _say_mended)
    if outcome.mended:
        page.say(
            "The damaged files are kept where it says, until you delete them: "
            "'backupkeeper place set-aside' shows them.",
            indent=2,
        )
    _say_each(page, "not mended", outcome.unmended, _say_unmended)
    say_sentences(page, "Left as it is", outcome.left)
    for bucket, fetched in outcome.fetched_bytes.items():
        page.say(f"{size(fetched)} were fetched from {shown(bucket)}.")
    say_manifest_faults(page, outcome.manifest_faults)
    say_troubles(page, outcome.troubles)
    if outcome.manifests:
        page.head("Manifests written")
        page.paths(outcome.manifests, indent=2)
    if not (outcome.planned or outcome.mended or outcome.unmended or outcome.came_right):
        page.say(
            "No damaged copy is known there that could be mended. 'backupkeeper verify' looks."
        )
    return page.lines


def _say_each(
    page: Page, title: str, entries: Sequence[_T], say: Callable[[Page, _T], None]
) -> None:
    if entries:
        page.head(f"{title}: {plural(len(entries), 'file')}")
        for one in page.few(entries, indent=2):
            say(page, one)


def _say_came_right(page: Page, outcome: RepairOutcome) -> None:
    if not outcome.came_right:
        return
    page.head(f"right when read again: {plural(len(outcome.came_right), 'file')}")
    page.say(
        "They were thought damaged. Suspect the cable, the port or the memory before the drive.",
        indent=2,
    )
    page.paths([f"{place}: {path}" for place, path in outcome.came_right], indent=4)


def _say_patient(page: Page, patient: Patient, tone: Tone) -> None:
    page.line(f"  {shown(patient.place)}: {shown(patient.path)}", tone)
    was = "edited" if patient.found is Result.CHANGED else str(patient.found.value)
    if patient.damage:
        page.say(f"{was}: {spans(patient.damage, patient.size)}", indent=6)
    else:
        page.say(was, indent=6)
    if patient.clip is not None and patient.found in ROTTEN:
        name = patient.path.rpartition("/")[2]
        page.say(f"{shown(name)}: {told(clip_words(patient.clip))}", indent=6)


def _say_planned(page: Page, planned: Planned) -> None:
    _say_patient(page, planned.patient, Tone.WARN)
    for name, ranges in planned.sharing.taken.items():
        page.say(f"{size(length(ranges))} would come from {shown(name)}", indent=6)
    if planned.sharing.lost:
        lost = spans(planned.sharing.lost, planned.patient.size)
        page.say(
            f"no copy that can be reached is known to have right: {lost}", indent=6, tone=Tone.BAD
        )


def _say_mended(page: Page, mended: Mended) -> None:
    _say_patient(page, mended.patient, Tone.GOOD if mended.proven else Tone.WARN)
    shares = [f"{size(got)} from {shown(name)}" for name, got in mended.taken.items()]
    came = ", ".join(shares) or "nothing: it was cut to its length"
    has_rest = sum(mended.taken.values()) < mended.patient.size
    page.say(f"taken: {came}{'; the rest was right' if has_rest else ''}", indent=6)
    if not mended.proven:
        page.say(f"not proven yet: {told(mended.not_cold)}", indent=6, tone=Tone.WARN)
    page.line(f"      kept: {shown(mended.set_aside)}")
    if not mended.kept_whole:
        page.say("What the drive would not give of it are zeros in that file.", indent=6)


def _say_unmended(page: Page, unmended: Unmended) -> None:
    _say_patient(page, unmended.patient, Tone.BAD)
    page.say(told(unmended.why), indent=6)
    if unmended.lost:
        page.say(
            f"lost as far as is known: {spans(unmended.lost, unmended.patient.size)}", indent=6
        )
        if length(unmended.lost) < unmended.patient.size:
            page.say("All else of it is right, in one copy or another.", indent=6)


def repair_json(outcome: RepairOutcome) -> Json:
    """``damage`` and ``lost`` are half-open byte ranges; ``clip`` is null where nothing is known."""
    return {
        "version": 1,
        "what": outcome.what,
        "dry_run": outcome.dry_run,
        "all_well": outcome.all_well,
        "planned": [
            {
                **_patient(one.patient),
                "would_take": [
                    {"place": name, "ranges": _pairs(ranges)}
                    for name, ranges in one.sharing.taken.items()
                ],
                "lost": _pairs(one.sharing.lost),
            }
            for one in outcome.planned
        ],
        "mended": [
            {
                **_patient(one.patient),
                "taken_bytes": dict(one.taken),
                "set_aside": one.set_aside,
                "kept_whole": one.kept_whole,
                "proven": one.proven,
                "not_cold": one.not_cold or None,
            }
            for one in outcome.mended
        ],
        "not_mended": [
            {
                **_patient(one.patient),
                "why": one.why,
                "lost": _pairs(one.lost),
                "asked": list(one.asked),
            }
            for one in outcome.unmended
        ],
        "came_right": [{"place": place, "path": path} for place, path in outcome.came_right],
        "left": list(outcome.left),
        "fetched_bytes": dict(outcome.fetched_bytes),
        "manifests": list(outcome.manifests),
        "manifest_faults": [_trouble(one) for one in outcome.manifest_faults],
        "troubles": [_trouble(one) for one in outcome.troubles],
        "seconds": round(outcome.seconds, 3),
    }


def _patient(patient: Patient) -> dict[str, object]:
    return {
        "place": patient.place,
        "path": patient.path,
        "size": patient.size,
        "found": patient.found.value,
        "damage": _pairs(patient.damage),
        "unreadable": _pairs(patient.unreadable),
        "clip": clip_json(patient.clip) if patient.clip is not None else None,
    }


def _pairs(ranges: Sequence[tuple[int, int]]) -> list[list[int]]:
    return [list(span) for span in ranges]


def _trouble(one: Trouble) -> Mapping[str, str]:
    return {"place": one.place, "path": one.path, "message": one.message}


def aside_lines(kept: Sequence[KeptAside], look: Look, *, deleted: bool) -> list[Line]:
    """What is kept on a drive, or what was deleted of it."""
    page = Page(look)
    total = size(sum(one.size for one in kept))
    if not kept:
        page.say("Nothing was deleted." if deleted else "Nothing is set aside there.")
        return page.lines
    what = "Deleted" if deleted else "Kept"
    page.say(f"{what}: {plural(len(kept), 'file')} that repairs set aside, {total}")
    for one in page.few(kept, indent=2):
        page.line(f"  {shown(one.place)}: {shown(one.path)}")
        page.say(f"{size(one.size)}, was {shown(one.replaced) or 'a file unknown'}", indent=6)
        if one.is_edit:
            page.say(
                "It is somebody's edit: move it where it belongs. It is not deleted from here.",
                indent=6,
                tone=Tone.WARN,
            )
        elif not one.is_replaced:
            page.say(
                "What took its place is not proven now: it is not deleted.",
                indent=6,
                tone=Tone.WARN,
            )
    if not deleted:
        page.say("To delete what was replaced by a proven copy, name the drive and add --delete.")
    return page.lines


def aside_json(kept: Sequence[KeptAside], *, deleted: bool) -> Json:
    """``replaced`` is the path that the file had; ``proven`` whether what took it is proven now."""
    return {
        "version": 1,
        "deleted": deleted,
        "files": [
            {
                "place": one.place,
                "path": one.path,
                "size": one.size,
                "replaced": one.replaced or None,
                "at": one.at or None,
                "proven": one.is_replaced,
                "edit": one.is_edit,
            }
            for one in kept
        ],
    }
