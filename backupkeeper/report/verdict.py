r"""The verdict for a person and for a program.

Promises:
1. The large answer stands on top and is told by its letters, its frame and a sentence.
2. A yes never stands alone: the same sentence says what a lowered policy leaves out.
3. JSON: ``{"version": 1, "card", "verdict": "yes" | "no", "reasons": [{"code", "message",
   "paths"}], "files": [{"path", "size", "blake3", "roles": {role: {"state", "place", "proof",
   "at"}}}]}``. ``place`` is the place's name, ``at`` UTC; what is not known is null. A byte of a
   path that is not UTF-8 is a lone surrogate (0xdc80 to 0xdcff).
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime

from backupkeeper.core.model import CopyState, PlaceId, Role, Way
from backupkeeper.core.outcomes import JudgedFile, Reason, ReasonCode, RoleProof, Verdict
from backupkeeper.report.lines import Line, Look, Page, Tone, large
from backupkeeper.report.reasons import in_words
from backupkeeper.report.words import age, count, moment, plural, shown, size, told

Json = Mapping[str, object]

WAYS: Mapping[Way, str] = {
    Way.WRITTEN: "written",
    Way.READBACK: "read back right after writing",
    Way.REHASH: "read again later",
    Way.ATTESTED: "checked on arrival",
    Way.DOWNLOADED: "fetched back",
    Way.LOOKED: "looked at",
}


def stamp(at: datetime | None) -> str | None:
    """A time as programs read it: ISO 8601, UTC, whole seconds."""
    return None if at is None else f"{at.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"


def verdict_json(verdict: Verdict, names: Mapping[PlaceId, str]) -> Json:
    """The verdict as one object.

    Args:
        verdict: what was judged.
        names: name of every place.
    """
    return {
        "version": 1,
        "card": verdict.card,
        "verdict": verdict.answer.value,
        "reasons": [
            {
                "code": reason.code.value,
                "message": in_words(reason, card=verdict.card).message,
                "paths": list(reason.paths),
            }
            for reason in verdict.reasons
        ],
        "files": [_file_json(file, names) for file in verdict.files],
    }


def _file_json(file: JudgedFile, names: Mapping[PlaceId, str]) -> Json:
    return {
        "path": file.path,
        "size": file.size,
        "blake3": file.content,
        "roles": {role.value: _role_json(proof, names) for role, proof in file.roles.items()},
    }


def _role_json(proof: RoleProof, names: Mapping[PlaceId, str]) -> Json:
    return {
        "state": proof.state.value,
        "place": None if proof.place is None else names.get(proof.place, proof.place),
        "proof": None if proof.proof is None else proof.proof.value,
        "at": stamp(proof.at),
    }


def verdict_lines(
    verdict: Verdict,
    names: Mapping[PlaceId, str],
    look: Look,
    *,
    distinct_devices: bool,
) -> list[Line]:
    """The verdict on a terminal.

    Args:
        verdict: what was judged.
        names: name of every place.
        look: how wide the output is and what it can show.
        distinct_devices: whether the policy asked for a physical device for each role.
    """
    page = Page(look)
    tone = Tone.GOOD if verdict.may_wipe else Tone.BAD
    page.line()
    for row in large(verdict.answer.value.upper(), look, barred=not verdict.may_wipe):
        page.line(row, tone)
    page.line()
    if verdict.may_wipe:
        _say_yes(page, verdict, distinct_devices=distinct_devices)
    else:
        page.say("This card must not be wiped.", indent=2, tone=Tone.BAD)
    page.line()
    page.line(f"  {shown(verdict.card)}")
    total = sum(file.size for file in verdict.files)
    page.say(
        f"{plural(len(verdict.files), 'file')}, {size(total)}, read from the card and judged "
        f"{moment(verdict.at, look.zone)}",
        indent=2,
        tone=Tone.QUIET,
    )
    _say_roles(page, verdict, names)
    if verdict.reasons:
        _say_reasons(page, verdict, names)
    _say_left_out(page, verdict)
    if verdict.may_wipe:
        _say_cautions(page, verdict)
    return page.lines


def _say_yes(page: Page, verdict: Verdict, *, distinct_devices: bool) -> None:
    if not verdict.still_missing:
        page.say("This card may be wiped.", indent=2, tone=Tone.GOOD)
    for limit in limits_of_yes(verdict, distinct_devices=distinct_devices):
        page.say(limit, indent=2, tone=Tone.WARN)


def limits_of_yes(verdict: Verdict, *, distinct_devices: bool) -> tuple[str, ...]:
    """Sentences that belong to a yes, in the same breath; nothing where it holds without any."""
    limits = []
    lacks = [
        f"{_in_role(role)} ({count(number)} of {plural(len(verdict.files), 'file')})"
        for role, number in verdict.still_missing.items()
    ]
    if lacks:
        asked = " and ".join(verdict.asked)
        limits.append(
            f"This card may be wiped as far as {asked} go, which is all that your configuration "
            f"asks for, but there is still no proof that counts {' nor '.join(lacks)}."
        )
    if not distinct_devices:
        limits.append(
            "Your configuration lets copies share one physical device ([policy] distinct_devices "
            "= false): one fall could break them together."
        )
    return tuple(limits)


def _in_role(role: Role) -> str:
    return "in the cloud" if role is Role.CLOUD else f"on a {role} drive"


def _say_roles(page: Page, verdict: Verdict, names: Mapping[PlaceId, str]) -> None:
    roles = dict.fromkeys(
        [*verdict.asked, *(role for file in verdict.files for role in file.roles)]
    )
    if not verdict.files or not roles:
        return
    against = {reason.role for reason in verdict.reasons} | set(verdict.still_missing)
    page.head("What is proven")
    for role in roles:
        proofs = [file.roles.get(role, RoleProof(state=CopyState.ABSENT)) for file in verdict.files]
        states = Counter(proof.state for proof in proofs)
        proven = states[CopyState.PROVEN]
        whole = proven == len(proofs) and role not in against
        mark = page.look.full if whole else page.look.open
        what = ", ".join(
            [
                f"{count(proven)} of {plural(len(proofs), 'file')} proven",
                *(f"{count(states[one])} {one}" for one in list(CopyState)[1:] if states[one]),
            ]
        )
        asked = "" if role in verdict.asked else " (not asked for)"
        page.say(
            f"{role}: {what}{asked}",
            indent=2,
            first=f"{mark} ",
            tone=Tone.GOOD if whole else Tone.WARN,
        )
        _say_proofs(page, [one for one in proofs if one.proof is not None], names, verdict.at)


def _say_proofs(
    page: Page, proofs: Sequence[RoleProof], names: Mapping[PlaceId, str], now: datetime
) -> None:
    held: dict[PlaceId, list[RoleProof]] = {}
    for proof in proofs:
        if proof.place is not None:
            held.setdefault(proof.place, []).append(proof)
    for place, mine in held.items():
        oldest = min(proof.at for proof in mine if proof.at is not None)
        ways = sorted({WAYS[proof.proof] for proof in mine if proof.proof is not None})
        page.say(
            f"{shown(names.get(place, place))}: {', '.join(ways)}, oldest "
            f"{age(oldest, now)} ({moment(oldest, page.look.zone)})",
            indent=4 + len(page.look.full) - 1,
        )


def _say_reasons(page: Page, verdict: Verdict, names: Mapping[PlaceId, str]) -> None:
    page.head("Why not")
    by_path = {file.path: file for file in verdict.files}
    alike: dict[tuple[ReasonCode, Role | None], list[Reason]] = {}
    for reason in verdict.reasons:
        alike.setdefault((reason.code, reason.role), []).append(reason)
    for number, reasons in enumerate(alike.values(), start=1):
        if number > 1:
            page.gap()
        whole = _joined(reasons)
        words = in_words(whole, card=verdict.card, place=_one_place(whole, by_path, names))
        page.say(words.message, indent=2, first=f"{number}. ", tone=Tone.BAD)
        if len(reasons) == 1:
            page.paths(whole.paths, indent=7)
        else:
            page.grouped(
                ((path, reason.detail) for reason in reasons for path in reason.paths), indent=7
            )
        page.say(words.advice, indent=5)
        if words.command:
            page.line(f"       {words.command}")


def _joined(reasons: Sequence[Reason]) -> Reason:
    """Reasons that differ in their detail only, as one; its detail is told only if it is one."""
    if len(reasons) == 1:
        return reasons[0]
    paths = tuple(path for reason in reasons for path in reason.paths)
    return Reason(code=reasons[0].code, role=reasons[0].role, paths=paths)


def _one_place(
    reason: Reason, by_path: Mapping[str, JudgedFile], names: Mapping[PlaceId, str]
) -> str | None:
    """The name of the place where all copies of this reason are, if it is just one."""
    if reason.role is None:
        return None
    places = {
        by_path[path].roles[reason.role].place
        for path in reason.paths
        if path in by_path and reason.role in by_path[path].roles
    }
    only = places.pop() if len(places) == 1 else None
    return None if only is None else names.get(only, only)


def _say_left_out(page: Page, verdict: Verdict) -> None:
    if verdict.left_out:
        page.head("Left out of every copy, so not judged")
        page.grouped(verdict.left_out, indent=2)
    if verdict.warnings:
        page.head("Worth knowing")
        _say_each(page, verdict.warnings)


def _say_each(page: Page, sentences: Sequence[str]) -> None:
    for sentence in page.few(sentences, indent=2):
        page.say(told(sentence), indent=2, first=f"{page.look.dash} ", tone=Tone.WARN)


def _say_cautions(page: Page, verdict: Verdict) -> None:
    page.head("Before you wipe it")
    for sentence in (
        (
            f"This is about the bytes that were on the card at {moment(verdict.at, page.look.zone)}. "
            "If anything was recorded since, ask again."
        ),
        "Format the card in the camera, not in the computer.",
        "backupkeeper wipes nothing: that is for you to do.",
    ):
        page.say(sentence, indent=2, first=f"{page.look.dash} ")
