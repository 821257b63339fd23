"""The verdict in words and as JSON.

Promises:
1. The answer stands first; a no gives every reason, grouped, each with what to do.
2. A yes says in the same breath what it is about (these bytes, at this time) and, under a lowered
   policy, what is still missing. It never says more than was shown.
3. The JSON is one object of version 1:
   ``{"version", "card", "verdict": "yes"|"no", "reasons": [{"code", "message", "paths"}],
   "files": [{"path", "size", "blake3", "roles": {role: {"state", "place", "proof", "at"}}}]}``;
   ``place`` is a name, ``proof`` a way of proving, ``at`` ISO 8601 in UTC; each of the three is null
   where there is none, as is ``blake3`` of a file that could not be read.
"""

from collections.abc import Mapping
from typing import Any

from backupkeeper.core.model import CopyState, PlaceId, Role
from backupkeeper.core.outcomes import Answer, RoleProof, Verdict
from backupkeeper.report import reasons
from backupkeeper.report.banner import banner
from backupkeeper.report.lines import Line, Look, Page, Tone, iso
from backupkeeper.report.words import age, joined, local_time, plural, size

_LARGE_FROM = 32


def verdict_object(verdict: Verdict, names: Mapping[PlaceId, str]) -> dict[str, Any]:
    """The verdict for JSON."""
    return {
        "version": 1,
        "card": verdict.card,
        "verdict": verdict.answer.value,
        "reasons": [
            {"code": one.code.value, "message": reasons.message(one), "paths": list(one.paths)}
            for one in verdict.reasons
        ],
        "files": [
            {
                "path": file.path,
                "size": file.size,
                "blake3": file.content,
                "roles": {
                    role.value: _proof_object(proof, names) for role, proof in file.roles.items()
                },
            }
            for file in verdict.files
        ],
    }


def _proof_object(proof: RoleProof, names: Mapping[PlaceId, str]) -> dict[str, Any]:
    return {
        "state": proof.state.value,
        "place": names.get(proof.place, proof.place) if proof.place is not None else None,
        "proof": proof.proof.value if proof.proof is not None else None,
        "at": iso(proof.at),
    }


def verdict_lines(verdict: Verdict, names: Mapping[PlaceId, str], look: Look) -> list[Line]:
    """The verdict for a person."""
    page = Page(look=look)
    tone = Tone.GOOD if verdict.may_wipe else Tone.BAD
    if look.large and look.width >= _LARGE_FROM:
        page.gap()
        for row in banner(verdict.answer, ascii_only=look.ascii_only):
            page.draw(row, tone=tone)
        page.gap()
    _answer(page, verdict, tone)
    _proven(page, verdict, names)
    _against(page, verdict)
    page.noted("Left out (system files that no camera made)", verdict.left_out)
    page.sentences("To know", verdict.warnings)
    if verdict.may_wipe:
        _cautions(page, verdict)
    return page.lines


def _answer(page: Page, verdict: Verdict, tone: Tone) -> None:
    files = plural(len(verdict.files), "file")
    held = size(sum(file.size for file in verdict.files))
    if verdict.answer is Answer.YES:
        roles = joined([role.value for role in verdict.asked])
        told = f"YES: this card may be wiped. All of its {files} ({held}) are proven in {roles}."
        if verdict.still_missing:
            still = joined(
                [
                    f"{role.value} ({plural(count, 'file')} not proven)"
                    for role, count in verdict.still_missing.items()
                ]
            )
            told += f" STILL MISSING, because your configuration does not ask for it: {still}."
        page.say(told, tone=tone)
    else:
        count = plural(len(verdict.reasons), "reason")
        page.say(f"NO: do not wipe this card. {count} against it, below.", tone=tone)
    page.path(verdict.card, indent=2)
    page.say(f"{files}, {held}, read whole at {_when(page, verdict)}.", indent=2)


def _when(page: Page, verdict: Verdict) -> str:
    return local_time(verdict.at, page.look.zone)


def _proven(page: Page, verdict: Verdict, names: Mapping[PlaceId, str]) -> None:
    roles = tuple(dict.fromkeys((*verdict.asked, *verdict.still_missing)))
    if not verdict.files or not roles:
        return
    page.head("What is proven")
    wide = max(len(role.value) for role in roles)
    for role in roles:
        page.say(
            f"{role.value:{wide}}  {_role(page, verdict, role, names)}", indent=2, hang=wide + 2
        )


def _role(page: Page, verdict: Verdict, role: Role, names: Mapping[PlaceId, str]) -> str:
    """Everything about one role: how many files, where, how, and since when."""
    proofs = [
        file.roles[role]
        for file in verdict.files
        if role in file.roles and file.roles[role].state is CopyState.PROVEN
    ]
    told = f"{len(proofs):,} of {plural(len(verdict.files), 'file')}"
    places = sorted({names.get(one.place, one.place) for one in proofs if one.place is not None})
    if places:
        told += f" on {joined(places)}"
    ways = sorted({one.proof.value for one in proofs if one.proof is not None})
    times = [one.at for one in proofs if one.at is not None]
    if times:
        oldest = min(times)
        told += (
            f" ({joined(ways)}; oldest proof {local_time(oldest, page.look.zone)}, "
            f"{age(oldest, verdict.at)})"
        )
    if role not in verdict.asked:
        told += "; not asked for"
    return told


def _against(page: Page, verdict: Verdict) -> None:
    if not verdict.reasons:
        return
    page.head("Why not")
    for number, reason in enumerate(verdict.reasons, 1):
        page.say(f"{number}. {reasons.message(reason)}", indent=2, hang=3, tone=Tone.BAD)
        page.say(f"What to do: {reasons.advice(reason)}", indent=5, hang=2)
        page.paths(reason.paths, indent=7)


def _cautions(page: Page, verdict: Verdict) -> None:
    page.sentences(
        "Before you wipe it",
        (
            f"This answer is about the bytes that were on the card at {_when(page, verdict)}.",
            "If anything is recorded after that, ask again.",
            "Format the card in the camera, not in the computer.",
            "backupkeeper never wipes a card: that is yours to do.",
        ),
    )
