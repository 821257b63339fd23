"""May this card be wiped? Yes only when everything on it was shown to be proven (promise 5).

Promises:
1. Yes needs: at least one file, at least one role asked for, every file read whole just now, its
   content in a sealed roll, and a copy in state ``proven`` in every asked role, each on a physical
   device of its own that is not the card's.
2. Anything unknown, unreadable, changed, or that is no plain file means no.
3. All reasons are given, grouped, not the first one.
"""

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from backupkeeper.core.model import (
    Blake3,
    CardFile,
    CardListing,
    Copy,
    CopyState,
    Place,
    PlaceId,
    Role,
)
from backupkeeper.core.outcomes import Answer, JudgedFile, Reason, ReasonCode, Verdict
from backupkeeper.core.policy import ALL_ROLES, Policy, best_per_role, filled_roles

_CODES: Mapping[CopyState, ReasonCode] = {
    CopyState.PROVEN: ReasonCode.SAME_DEVICE,  # proven and still not filled: the device is shared
    CopyState.DUE: ReasonCode.PROOF_TOO_OLD,
    CopyState.WRITTEN: ReasonCode.NOT_PROVEN,
    CopyState.DAMAGED: ReasonCode.DAMAGED,
    CopyState.MISSING: ReasonCode.MISSING,
    CopyState.OUT_OF_REACH: ReasonCode.OUT_OF_REACH,
    CopyState.ABSENT: ReasonCode.NO_COPY,
}
_SEVERITY = {code: position for position, code in enumerate(ReasonCode)}


@dataclass(frozen=True, kw_only=True, slots=True)
class Evidence:
    """What is known of the contents of a card: places, copies, and which contents are sealed."""

    places: Mapping[PlaceId, Place]
    copies: Mapping[Blake3, Sequence[Copy]]
    sealed: Collection[Blake3]
    card_device: str | None


@dataclass(frozen=True, kw_only=True, slots=True)
class _Against:
    code: ReasonCode
    role: Role | None
    path: str
    detail: str = ""


def judge(
    listing: CardListing,
    read: Sequence[CardFile],
    evidence: Evidence,
    policy: Policy,
    now: datetime,
) -> Verdict:
    """The verdict on a card that was listed and then read whole.

    Args:
        listing: everything that is on the card.
        read: every file of the listing after its bytes were read (or could not be).
        evidence: the copies that exist of these contents.
        policy: which roles a wipe needs, and how old a proof may be.
        now: the present time, UTC.
    """
    against = [*_about_the_card(listing, read, policy)]
    judged = []
    missing: Counter[Role] = Counter()
    for file in read:
        copies = evidence.copies.get(file.content, ()) if file.content is not None else ()
        roles = best_per_role(copies, evidence.places, _all_roles(policy))
        judged.append(JudgedFile(path=file.path, size=file.size, content=file.content, roles=roles))
        against.extend(_about_a_file(file, judged[-1], copies, evidence, policy))
        filled = filled_roles(
            copies, evidence.places, _all_roles(policy), policy, not_on=evidence.card_device
        )
        missing.update(roles.keys() - filled - set(policy.wipe_needs))
    return Verdict(
        card=listing.root,
        at=now,
        answer=Answer.NO if against else Answer.YES,
        asked=policy.wipe_needs,
        reasons=_grouped(against),
        files=tuple(judged),
        still_missing={role: missing[role] for role in _all_roles(policy) if missing[role]},
        left_out=listing.left_out,
        warnings=listing.warnings,
    )


def _all_roles(policy: Policy) -> tuple[Role, ...]:
    return tuple(dict.fromkeys((*policy.wipe_needs, *ALL_ROLES)))


def _about_the_card(
    listing: CardListing, read: Sequence[CardFile], policy: Policy
) -> Iterable[_Against]:
    if not policy.wipe_needs:
        yield _Against(code=ReasonCode.NO_ROLE_ASKED, role=None, path="")
    if not listing.files:
        yield _Against(code=ReasonCode.NOTHING_TO_JUDGE, role=None, path="")
    for path, error in listing.unreadable:
        yield _Against(code=ReasonCode.CARD_UNREADABLE, role=None, path=path, detail=error)
    for path, what in listing.specials:
        yield _Against(code=ReasonCode.NOT_A_FILE, role=None, path=path, detail=what)
    sizes = {file.path: file.size for file in read}
    for entry in listing.files:
        if sizes.get(entry.path) != entry.size:
            detail = "changed while it was read" if entry.path in sizes else "not read"
            yield _Against(
                code=ReasonCode.CARD_UNREADABLE, role=None, path=entry.path, detail=detail
            )


def _about_a_file(
    file: CardFile,
    judged: JudgedFile,
    copies: Sequence[Copy],
    evidence: Evidence,
    policy: Policy,
) -> Iterable[_Against]:
    if file.content is None or file.error is not None:
        detail = file.error or "not read"
        yield _Against(code=ReasonCode.CARD_UNREADABLE, role=None, path=file.path, detail=detail)
        return
    if file.content not in evidence.sealed:
        code = ReasonCode.OFFLOAD_UNFINISHED if copies else ReasonCode.NEVER_OFFLOADED
        yield _Against(code=code, role=None, path=file.path)
        if not copies:
            return
    filled = filled_roles(
        copies, evidence.places, policy.wipe_needs, policy, not_on=evidence.card_device
    )
    for role in dict.fromkeys(policy.wipe_needs):
        if role not in filled:
            yield _Against(code=_CODES[judged.roles[role].state], role=role, path=file.path)


def _grouped(against: Iterable[_Against]) -> tuple[Reason, ...]:
    groups: dict[tuple[ReasonCode, Role | None, str], list[str]] = {}
    for one in against:
        groups.setdefault((one.code, one.role, one.detail), []).append(one.path)
    reasons = [
        Reason(code=code, role=role, paths=tuple(path for path in paths if path), detail=detail)
        for (code, role, detail), paths in groups.items()
    ]
    return tuple(sorted(reasons, key=lambda one: (_SEVERITY[one.code], one.role or "")))
