"""The verdict on a card: a table of what speaks against, then that all of it is told."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

import pytest

from backupkeeper.core.model import (
    Blake3,
    CardEntry,
    CardFile,
    CardListing,
    Copy,
    CopyState,
    Place,
    PlaceId,
    Role,
    Way,
)
from backupkeeper.core.outcomes import Answer, Reason, ReasonCode, RoleProof, Verdict
from backupkeeper.core.policy import Policy
from backupkeeper.core.verdict import Evidence, judge
from tests.core.made_up_copies import (
    CLIP,
    DAY,
    MAIN,
    NOW,
    PLACES,
    SOUND,
    TRAVEL,
    VAULT,
    copy,
    mapped,
    place,
)

P, S, C = Role
CARD = "the card's own device"
READ = (
    CardFile(path="A.MP4", size=10, content=CLIP),
    CardFile(path="B.WAV", size=5, content=SOUND),
)
WHOLE = {content: [copy(one, content=content) for one in PLACES] for content in (CLIP, SOUND)}


def listed(*files: CardFile, **changes: Any) -> CardListing:
    entries = tuple(CardEntry(path=file.path, size=file.size, mtime_ns=0) for file in files)
    return replace(CardListing(root="/media/card", files=entries), **changes)


def verdict(
    read: Sequence[CardFile] = READ,
    *,
    listing: CardListing | None = None,
    copies: Mapping[Blake3, Sequence[Copy]] = WHOLE,
    places: Mapping[PlaceId, Place] = PLACES,
    sealed: frozenset[Blake3] = frozenset({CLIP, SOUND}),
    card_device: str | None = CARD,
    policy: Policy = Policy(),  # noqa: B008 - frozen
) -> Verdict:
    evidence = Evidence(places=places, copies=copies, sealed=sealed, card_device=card_device)
    return judge(listing or listed(*READ), read, evidence, policy, NOW)


def with_clip(*of_clip: Copy) -> dict[Blake3, Sequence[Copy]]:
    return {**WHOLE, CLIP: of_clip}


def clip_at(where: PlaceId, state: CopyState) -> dict[Blake3, Sequence[Copy]]:
    return with_clip(*(copy(one, state if one == where else CopyState.PROVEN) for one in PLACES))


def reason(
    code: ReasonCode, role: Role | None = None, *paths: str, detail: str = ""
) -> tuple[Reason, ...]:
    return (Reason(code=code, role=role, paths=paths, detail=detail),)


def test_a_card_whose_every_file_is_proven_in_every_role_may_be_wiped() -> None:
    told = verdict()
    assert told.may_wipe
    assert told == Verdict(
        card="/media/card",
        at=NOW,
        answer=Answer.YES,
        asked=(P, S, C),
        reasons=(),
        files=told.files,
        still_missing={},
    )
    assert [(file.path, file.size, file.content) for file in told.files] == [
        ("A.MP4", 10, CLIP),
        ("B.WAV", 5, SOUND),
    ]
    assert told.files[0].roles == {
        role: RoleProof(state=CopyState.PROVEN, place=where, proof=Way.REHASH, at=NOW - DAY)
        for role, where in ((P, MAIN), (S, TRAVEL), (C, VAULT))
    }


BAD_READ = (replace(READ[0], content=None, error="Could not read A.MP4 (EIO)."), READ[1])
SHARED = PLACES | mapped(place(TRAVEL, S, device=PLACES[MAIN].device))
UNKNOWN_DEVICE = PLACES | mapped(place(TRAVEL, S, device=None))

CASES: dict[str, tuple[Callable[[], Verdict], tuple[Reason, ...]]] = {
    "an empty card": (partial(verdict, (), listing=listed()), reason(ReasonCode.NOTHING_TO_JUDGE)),
    "files that were read although none was listed": (
        partial(verdict, listing=listed()),
        reason(ReasonCode.NOTHING_TO_JUDGE),
    ),
    "no role asked for": (
        partial(verdict, policy=Policy(wipe_needs=())),
        reason(ReasonCode.NO_ROLE_ASKED),
    ),
    "a folder that could not be looked into": (
        partial(verdict, listing=listed(*READ, unreadable=(("DCIM", "EIO"),))),
        reason(ReasonCode.CARD_UNREADABLE, None, "DCIM", detail="EIO"),
    ),
    "the card's root could not be looked into": (
        partial(verdict, listing=listed(*READ, unreadable=(("", "EIO"),))),
        reason(ReasonCode.CARD_UNREADABLE, detail="EIO"),
    ),
    "a pipe": (
        partial(verdict, listing=listed(*READ, specials=(("pipe", "a FIFO"),))),
        reason(ReasonCode.NOT_A_FILE, None, "pipe", detail="a FIFO"),
    ),
    "a file that could not be read": (
        partial(verdict, BAD_READ),
        reason(ReasonCode.CARD_UNREADABLE, None, "A.MP4", detail="Could not read A.MP4 (EIO)."),
    ),
    "a file without content and without an error": (
        partial(verdict, (replace(READ[0], content=None), READ[1])),
        reason(ReasonCode.CARD_UNREADABLE, None, "A.MP4", detail="not read"),
    ),
    "a file with an error, although something was hashed": (
        partial(verdict, (replace(READ[0], error="it ended early"), READ[1])),
        reason(ReasonCode.CARD_UNREADABLE, None, "A.MP4", detail="it ended early"),
    ),
    "a file that was listed and never read": (
        partial(verdict, READ[1:]),
        reason(ReasonCode.CARD_UNREADABLE, None, "A.MP4", detail="not read"),
    ),
    "a file that was read with another size than was listed": (
        partial(verdict, (replace(READ[0], size=9), READ[1])),
        reason(ReasonCode.CARD_UNREADABLE, None, "A.MP4", detail="changed while it was read"),
    ),
    "a file that was never offloaded": (
        partial(verdict, copies={SOUND: WHOLE[SOUND]}, sealed=frozenset({SOUND})),
        reason(ReasonCode.NEVER_OFFLOADED, None, "A.MP4"),
    ),
    "a file that was read but never listed nor offloaded": (
        partial(verdict, (*READ, CardFile(path="C.MP4", size=1, content=Blake3("cc" * 32)))),
        reason(ReasonCode.NEVER_OFFLOADED, None, "C.MP4"),
    ),
    "a file of an offload that was not finished, proven everywhere": (
        partial(verdict, sealed=frozenset({SOUND})),
        reason(ReasonCode.OFFLOAD_UNFINISHED, None, "A.MP4"),
    ),
    "a sealed file of which nothing is known": (
        partial(verdict, copies={SOUND: WHOLE[SOUND]}),
        tuple(Reason(code=ReasonCode.NO_COPY, role=role, paths=("A.MP4",)) for role in (C, P, S)),
    ),
    "a proof too old": (
        partial(verdict, copies=clip_at(VAULT, CopyState.DUE)),
        reason(ReasonCode.PROOF_TOO_OLD, C, "A.MP4"),
    ),
    "written and not proven": (
        partial(verdict, copies=clip_at(TRAVEL, CopyState.WRITTEN)),
        reason(ReasonCode.NOT_PROVEN, S, "A.MP4"),
    ),
    "damaged": (
        partial(verdict, copies=clip_at(MAIN, CopyState.DAMAGED)),
        reason(ReasonCode.DAMAGED, P, "A.MP4"),
    ),
    "missing": (
        partial(verdict, copies=clip_at(MAIN, CopyState.MISSING)),
        reason(ReasonCode.MISSING, P, "A.MP4"),
    ),
    "at a lost place": (
        partial(verdict, copies=clip_at(MAIN, CopyState.OUT_OF_REACH)),
        reason(ReasonCode.OUT_OF_REACH, P, "A.MP4"),
    ),
    "no copy in a role": (
        partial(verdict, copies=with_clip(copy(MAIN), copy(TRAVEL))),
        reason(ReasonCode.NO_COPY, C, "A.MP4"),
    ),
    "two roles on one device": (
        partial(verdict, places=SHARED),
        reason(ReasonCode.SAME_DEVICE, S, "A.MP4", "B.WAV"),
    ),
    "a device that is not known": (
        partial(verdict, places=UNKNOWN_DEVICE),
        reason(ReasonCode.SAME_DEVICE, S, "A.MP4", "B.WAV"),
    ),
    "a copy on the card's own device": (
        partial(verdict, card_device=PLACES[MAIN].device),
        reason(ReasonCode.SAME_DEVICE, P, "A.MP4", "B.WAV"),
    ),
    "a role asked for twice is one reason": (
        partial(verdict, copies=with_clip(copy(MAIN)), policy=Policy(wipe_needs=(S, S))),
        reason(ReasonCode.NO_COPY, S, "A.MP4"),
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_a_card_may_not_be_wiped_and_why(case: str) -> None:
    judged, reasons = CASES[case]
    told = judged()
    assert told.answer is Answer.NO
    assert not told.may_wipe
    assert told.reasons == reasons


def test_every_code_is_in_the_table() -> None:
    assert {one.code for _, reasons in CASES.values() for one in reasons} == set(ReasonCode)


def test_all_reasons_are_told_grouped_and_the_gravest_first() -> None:
    third = CardFile(path="C.MP4", size=10, content=CLIP)
    unread = [CardFile(path=name, size=1, content=None, error="EIO") for name in ("D", "E")]
    read = (*READ, third, *unread)
    told = verdict(
        read,
        listing=listed(*read, specials=(("pipe", "a FIFO"), ("plug", "a socket"))),
        copies=with_clip(copy(MAIN, CopyState.DAMAGED), copy(TRAVEL)),
    )
    assert [(one.code, one.role, one.paths, one.detail) for one in told.reasons] == [
        (ReasonCode.CARD_UNREADABLE, None, ("D", "E"), "EIO"),
        (ReasonCode.NOT_A_FILE, None, ("pipe",), "a FIFO"),
        (ReasonCode.NOT_A_FILE, None, ("plug",), "a socket"),
        (ReasonCode.NO_COPY, C, ("A.MP4", "C.MP4"), ""),
        (ReasonCode.DAMAGED, P, ("A.MP4", "C.MP4"), ""),
    ]


def test_fewer_roles_may_be_asked_for_and_what_is_still_missing_is_told() -> None:
    told = verdict(copies=with_clip(copy(MAIN)), policy=Policy(wipe_needs=(P,)))
    assert told.may_wipe
    assert told.asked == (P,)
    assert told.still_missing == {S: 1, C: 1}


def test_a_role_that_is_not_asked_for_is_still_missing_if_it_shares_a_device() -> None:
    told = verdict(places=SHARED, policy=Policy(wipe_needs=(P,)))
    assert told.may_wipe
    assert told.still_missing == {S: 2}


def test_a_role_that_is_not_asked_for_is_still_missing_if_its_copy_is_on_the_card_itself() -> None:
    told = verdict(card_device=PLACES[TRAVEL].device, policy=Policy(wipe_needs=(P,)))
    assert told.may_wipe
    assert told.still_missing == {S: 2}


def test_a_role_that_is_neither_asked_for_nor_wanted_is_told_as_missing_too() -> None:
    told = verdict(copies=with_clip(copy(MAIN)), policy=Policy(wipe_needs=(P,), roles=(P, S)))
    assert told.still_missing == {S: 1, C: 1}


def test_a_role_asked_for_counts_even_where_the_policy_does_not_want_it_otherwise() -> None:
    told = verdict(copies=with_clip(copy(MAIN)), policy=Policy(wipe_needs=(P, C), roles=(P,)))
    assert told.reasons == reason(ReasonCode.NO_COPY, C, "A.MP4")


def test_one_device_is_enough_only_where_the_policy_says_so() -> None:
    relaxed = Policy(distinct_devices=False)
    assert not verdict(places=SHARED).may_wipe
    assert verdict(places=SHARED, policy=relaxed).may_wipe
    assert verdict(places=UNKNOWN_DEVICE, policy=relaxed).may_wipe


def test_what_was_left_out_and_warned_of_on_the_card_is_handed_on() -> None:
    listing = replace(
        listed(*READ), left_out=((".Trashes/x", "litter"),), warnings=("A clip is in the trash.",)
    )
    told = verdict(listing=listing)
    assert told.may_wipe
    assert told.left_out == ((".Trashes/x", "litter"),)
    assert told.warnings == ("A clip is in the trash.",)
