"""What a bucket can do, in words and for programs."""

from collections.abc import Iterator, Mapping
from typing import Final

from backupkeeper.core.bucket_advice import Level
from backupkeeper.core.bucket_findings import Findings, Word
from backupkeeper.core.outcomes import PlaceCheck
from backupkeeper.report.lines import Line, Look, Page, Tone
from backupkeeper.report.verdict import Json, stamp
from backupkeeper.report.words import rate, shown, told

_TONES: Final = {Level.STOP: Tone.BAD, Level.WARN: Tone.WARN, Level.NOTE: Tone.PLAIN}
_UNKNOWN: Final = {
    Word.NOT_ALLOWED: "not known: the credentials are not allowed to look",
    Word.NOT_OFFERED: "not known: this store does not tell",
}


def check_lines(check: PlaceCheck, look: Look, *, added: bool | None = None) -> list[Line]:
    """What a bucket was seen to do, and what to do about it.

    Args:
        check: the findings.
        look: how it looks.
        added: whether a lifecycle rule was just added; None: that was not asked for.
    """
    page = Page(look)
    if added is not None:
        done = "The rule was added; all others are as they were." if added else _THERE
        page.say(done, tone=Tone.GOOD)
        page.gap()
    page.line(f"{shown(check.place.name)}", Tone.HEAD)
    page.line(f"  {shown(check.place.location)}")
    for name, words in _rows(check.findings):
        page.say(f"{name}: {told(words)}", indent=2)
    for one in check.advice:
        page.gap()
        page.say(told(one.words), first=f"{look.dash} ", tone=_TONES[one.level])
        if one.command:
            page.line(f"    {told(one.command)}")
    return page.lines


_THERE: Final = "Nothing to add: a rule ends unfinished uploads already."


def _rows(found: Findings) -> Iterator[tuple[str, str]]:
    yield "refuses wrong bytes", _refusals(found)
    yield "gives checksums back", ", ".join(found.returns) or "none of those that were sent"
    yield "never overwrites, if asked", _conditions(found)
    yield "parts of an upload", _parts(found)
    yield "keeps versions", "yes" if found.versioning else "no"
    yield "object lock", _lock(found)
    yield "ends unfinished uploads", _lifecycle(found)
    yield "public", _public(found)
    if found.skew_s is not None:
        yield "this machine's clock", f"{found.skew_s:+.0f} s against the store's"
    if found.latency_s is not None:
        yield "answers within", f"{found.latency_s * 1000:.0f} ms (median)"
    if found.put_rate is not None and found.get_rate is not None:
        speed = f"{rate(found.put_rate)} there, {rate(found.get_rate)} back"
        yield "speed", f"{speed}, by one small object"


def _refusals(found: Findings) -> str:
    told = [
        f"{name} ({', '.join(step.value for step in steps)})"
        for name, steps in found.refuses.items()
        if steps
    ]
    return ", ".join(told) or "no: it takes anything"


def _conditions(found: Findings) -> str:
    told = {
        (True, True): "yes",
        (True, False): "only uploads in one piece",
        (False, True): "only uploads in parts",
        (False, False): "no",
    }
    return told[found.conditional_put, found.conditional_complete]


def _parts(found: Findings) -> str:
    small = "small ones are refused" if found.refuses_small_parts else "of any size"
    return f"{small}, {'10,000 at most' if found.takes_part_10000 else 'fewer than 10,000'}"


def _lock(found: Findings) -> str:
    if found.object_lock is Word.YES:
        return f"yes (by default: {found.lock_default or 'nothing is locked'})"
    return _UNKNOWN.get(found.object_lock, "no")


def _lifecycle(found: Findings) -> str:
    if found.lifecycle is Word.YES:
        return f"yes, after {found.abort_days} days"
    return _UNKNOWN.get(found.lifecycle, "no")


def _public(found: Findings) -> str:
    if found.is_public:
        return "YES"
    tried = "no: reading without credentials was refused"
    unknown = [
        name
        for name, word in (("policy", found.public_policy), ("ACL", found.public_grants))
        if word in _UNKNOWN
    ]
    return f"{tried} ({' and '.join(unknown)} not looked at)" if unknown else tried


def check_json(check: PlaceCheck, *, added: bool | None = None) -> Json:
    """A word is one of yes, no, not allowed (to look) and not offered.

    ``rule_added`` is null where no rule was asked for.
    """
    found = check.findings
    return {
        "version": 1,
        "place": {
            "id": check.place.id,
            "name": check.place.name,
            "location": check.place.location,
        },
        "checked_at": stamp(check.at),
        "public": found.is_public,
        "refuses_wrong": {name: list(steps) for name, steps in found.refuses.items()},
        "returns": list(found.returns),
        "conditional_put": found.conditional_put,
        "conditional_complete": found.conditional_complete,
        "etag_is_md5": found.etag_is_md5,
        "refuses_small_parts": found.refuses_small_parts,
        "takes_part_10000": found.takes_part_10000,
        "versioning": found.versioning,
        "object_lock": found.object_lock.value,
        "lock_default": found.lock_default or None,
        "ends_unfinished_uploads": found.lifecycle.value,
        "ends_unfinished_after_days": found.abort_days,
        "deletes_after_days": found.deletes_days,
        "read_by_anybody": found.read_by_anybody,
        "public_policy": found.public_policy.value,
        "public_grants": found.public_grants.value,
        "clock_ahead_seconds": found.skew_s,
        "latency_seconds": found.latency_s,
        "put_bytes_a_second": found.put_rate,
        "get_bytes_a_second": found.get_rate,
        "scratch_left": list(found.left_behind),
        "advice": [
            {
                "code": one.code,
                "level": one.level.value,
                "words": one.words,
                "command": one.command or None,
            }
            for one in check.advice
        ],
        "rule_added": added,
    }


def rule_json(rule: Mapping[str, object]) -> Json:
    """The lifecycle rule as a whole configuration, as the S3 interface takes it.

    It stands alone, without a version: it is the service's own form.
    """
    return {"Rules": [rule]}
