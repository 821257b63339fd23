"""What a receipt states: never more than the verdict, every file, and the fewest rolls."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime

import pytest
from hypothesis import given, strategies as st

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
    Standing,
    Way,
    Xxh128,
)
from backupkeeper.core.outcomes import Answer
from backupkeeper.core.policy import Policy
from backupkeeper.core.receipt import (
    CopyStand,
    Judged,
    Receipt,
    receipt_of,
    rolls_telling,
)
from backupkeeper.core.verdict import Evidence, judge
from tests.core.made_up_copies import (
    CLIP,
    DAY,
    MAIN,
    NOW,
    PATH,
    PLACES,
    SOUND,
    TRAVEL,
    VAULT,
    copy,
    fact,
    mapped,
    place,
    roll,
)

READ = (
    CardFile(path="A.MP4", size=10, content=CLIP, xxh128=Xxh128("c1" * 16)),
    CardFile(path="B.WAV", size=5, content=SOUND, xxh128=Xxh128("50" * 16)),
)
WHOLE = {content: [copy(one, content=content) for one in PLACES] for content in (CLIP, SOUND)}


def judged(
    read: Sequence[CardFile] = READ,
    *,
    copies: Mapping[Blake3, Sequence[Copy]] = WHOLE,
    places: Mapping[PlaceId, Place] = PLACES,
    listing: CardListing | None = None,
    looked_at: frozenset[PlaceId] = frozenset(),
) -> Judged:
    entries = tuple(CardEntry(path=file.path, size=file.size, mtime_ns=0) for file in READ)
    found = listing or CardListing(root="/media/card", files=entries)
    evidence = Evidence(
        places=places, copies=copies, sealed=frozenset({CLIP, SOUND}), card_device="the card"
    )
    return Judged(
        verdict=judge(found, read, evidence, Policy(), NOW),
        listing=found,
        read=tuple(read),
        evidence=evidence,
        looked_at=looked_at,
        label="WIDE A",
    )


def stated(made: Judged) -> Receipt:
    return receipt_of(made, (), program="backupkeeper 0.1.0", distinct_devices=True)


def test_a_yes_states_every_file_with_every_copy_and_both_hashes() -> None:
    receipt = stated(judged(looked_at=frozenset({MAIN})))
    assert receipt.verdict.answer is Answer.YES
    assert (receipt.label, receipt.read_files) == ("WIDE A", 2)
    assert [(one.path, one.size, one.blake3, one.xxh128) for one in receipt.files] == [
        ("A.MP4", 10, CLIP, "c1" * 16),
        ("B.WAV", 5, SOUND, "50" * 16),
    ]
    assert receipt.files[0].copies == tuple(
        CopyStand(
            place=one,
            path=PATH,
            state=CopyState.PROVEN,
            way=Way.REHASH,
            at=NOW - DAY,
        )
        for one in PLACES
    )
    main, travel, vault = receipt.places
    assert [one.place.id for one in receipt.places] == [MAIN, TRAVEL, VAULT]
    assert (main.files, main.bytes, main.states) == (2, 15, {CopyState.PROVEN: 2})
    assert [one.looked_at for one in (main, travel, vault)] == [True, False, False]
    (span,) = main.proofs
    assert (span.way, span.files, span.first, span.last) == (Way.REHASH, 2, NOW - DAY, NOW - DAY)


def test_proofs_are_told_by_kind_with_their_first_and_last_time() -> None:
    third = CardFile(path="C.MP4", size=1, content=Blake3("cc" * 32), xxh128=None)
    listing = CardListing(
        root="/media/card",
        files=tuple(CardEntry(path=f.path, size=f.size, mtime_ns=0) for f in (*READ, third)),
    )
    proofs = [
        (CLIP, fact(Way.READBACK, 3, content=CLIP, evidence="pages dropped")),
        (SOUND, fact(Way.READBACK, 1, content=SOUND, evidence="new mount")),
        (third.content, fact(Way.REHASH, 2, content=third.content, evidence="")),
    ]
    copies = {
        content: [Copy(place=MAIN, path=PATH, content=content, state=CopyState.PROVEN, proof=one)]
        for content, one in proofs
        if content is not None
    }
    main = stated(judged((*READ, third), copies=copies, listing=listing)).places[0]
    assert [(one.way, one.files, one.first, one.last, one.evidence) for one in main.proofs] == [
        (Way.READBACK, 2, NOW - 3 * DAY, NOW - DAY, ("new mount", "pages dropped")),
        (Way.REHASH, 1, NOW - 2 * DAY, NOW - 2 * DAY, ()),
    ]


@pytest.mark.parametrize("state", [one for one in CopyState if one is not CopyState.PROVEN])
def test_what_is_not_proven_is_counted_by_its_state_and_has_no_proof(state: CopyState) -> None:
    copies = {**WHOLE, CLIP: [copy(MAIN, state), copy(TRAVEL), copy(VAULT)]}
    receipt = stated(judged(copies=copies))
    main = receipt.places[0]
    assert receipt.verdict.answer is Answer.NO
    assert (main.files, main.bytes) == (1, 5)
    assert main.states == {CopyState.PROVEN: 1, state: 1}
    assert sum(span.files for span in main.proofs) == 1


def test_at_one_place_the_best_copy_counts_and_among_proven_ones_the_newest() -> None:
    here = [
        copy(MAIN, CopyState.DAMAGED, path="a"),
        copy(MAIN, path="b", days_ago=5),
        copy(MAIN, path="d", days_ago=2),
        copy(MAIN, path="c", days_ago=2),
    ]
    for copies in (here, here[::-1]):
        (found,) = (
            one
            for one in stated(judged(copies={**WHOLE, CLIP: copies})).files[0].copies
            if one.place == MAIN
        )
        assert (found.path, found.at) == ("c", NOW - 2 * DAY)


def test_samples_of_a_bucket_are_told_beside_what_the_store_attested() -> None:
    def attested(content: Blake3, sampled_at: datetime | None) -> Copy:
        proof = fact(Way.ATTESTED, 20, place=VAULT, content=content)
        made = copy(VAULT, content=content)
        return replace(made, proof=proof, sampled_at=sampled_at)

    copies = {
        CLIP: [copy(MAIN), copy(TRAVEL), attested(CLIP, NOW - 3 * DAY)],
        SOUND: [copy(MAIN, content=SOUND), copy(TRAVEL, content=SOUND), attested(SOUND, None)],
    }
    vault = stated(judged(copies=copies)).places[2]
    assert [(one.way, one.files) for one in vault.proofs] == [(Way.ATTESTED, 2)]
    assert vault.samples is not None
    assert (vault.samples.way, vault.samples.files) == (Way.DOWNLOADED, 1)
    assert vault.samples.first == vault.samples.last == NOW - 3 * DAY


@pytest.mark.parametrize(
    ("read", "error"),
    [
        ((READ[1],), "not read, or it changed"),
        ((replace(READ[0], content=None), READ[1]), "not read, or it changed"),
        ((replace(READ[0], error="EIO"), READ[1]), "EIO"),
        ((replace(READ[0], size=11), READ[1]), "not read, or it changed"),
    ],
)
def test_a_file_that_was_not_read_whole_is_there_without_hashes_or_copies(
    read: tuple[CardFile, ...], error: str
) -> None:
    receipt = stated(judged(read))
    first = receipt.files[0]
    assert receipt.verdict.answer is Answer.NO
    assert (first.path, first.blake3, first.xxh128, first.copies) == ("A.MP4", None, None, ())
    assert first.error == error
    assert receipt.read_files == 1
    assert receipt.places[0].states == {CopyState.PROVEN: 1}


def test_a_lost_place_is_told_only_if_it_held_something() -> None:
    lost = place("gone", standing=Standing.LOST)
    places = {**PLACES, **mapped(lost)}
    assert [one.place.id for one in stated(judged(places=places)).places] == list(PLACES)
    held = {**WHOLE, CLIP: [*WHOLE[CLIP], copy(lost.id, CopyState.OUT_OF_REACH)]}
    found = stated(judged(places=places, copies=held)).places
    assert found[0].place.id == lost.id
    assert found[0].states == {CopyState.OUT_OF_REACH: 1, CopyState.ABSENT: 1}
    assert found[0].proofs == ()


def test_places_come_by_role_and_name() -> None:
    places = mapped(
        place("z", Role.CLOUD), place("b", Role.PRIMARY), place("c"), place("a", Role.SECONDARY)
    )
    assert [one.place.id for one in stated(judged(places=places, copies={})).places] == [
        "b",
        "c",
        "a",
        "z",
    ]


# ---- which rolls


def test_the_fewest_rolls_are_told_and_the_cards_own_paths_come_first() -> None:
    own = roll(("A.MP4", CLIP, 10), ("B.WAV", SOUND, 5))
    part = roll(("A.MP4", CLIP, 10), name="Roll 02")
    elsewhere = roll(("X.MP4", CLIP, 10), ("Y.WAV", SOUND, 5), name="Roll 03")
    foreign = roll(("Z.MP4", Blake3("00" * 32), 1), name="Roll 04")
    assert rolls_telling(READ, [elsewhere, part, own]) == ((own, 2),)
    assert rolls_telling(READ, [part, elsewhere]) == ((part, 1), (elsewhere, 1))
    assert rolls_telling(READ, [elsewhere]) == ((elsewhere, 2),)
    assert rolls_telling(READ, [foreign]) == ()
    twice = replace(READ[0], path="again/A.MP4")
    assert rolls_telling([READ[0], twice], [elsewhere, part]) == ((part, 2),)
    assert rolls_telling([replace(READ[0], content=None)], [own]) == ()


contents = st.sampled_from([Blake3(f"{number:02x}" * 32) for number in range(4)])
trees = st.dictionaries(st.sampled_from(["A.MP4", "B.MP4", "C.WAV"]), contents, max_size=3)


@given(trees, st.lists(trees, max_size=4))
def test_no_file_that_a_roll_holds_is_left_without_one(
    card: dict[str, Blake3], held_by: list[dict[str, Blake3]]
) -> None:
    read = [CardFile(path=path, size=1, content=content) for path, content in card.items()]
    rolls = [
        roll(*((path, content, 1) for path, content in tree.items()), name=f"Roll {number:02}")
        for number, tree in enumerate(held_by)
    ]
    telling = rolls_telling(read, rolls)
    chosen = {file.content for one, _ in telling for file in one.files}
    known = {file.content for one in rolls for file in one.files}
    assert {one.content for one in read} & known <= chosen
    assert sum(number for _, number in telling) == sum(one.content in known for one in read)
    assert all(number for _, number in telling)
