"""Promise 5 in core: never a false yes, from facts to verdict.

``safe`` says what safe means by trying everything, from facts alone and without our code. It knows
the rules of DESIGN sections 2 and 3 and nothing of how core keeps them. Sabotaged judges show that
it would catch a wrong one.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import product
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, event, find, given, settings, strategies as st
from hypothesis.errors import NoSuchExample

from backupkeeper.core.model import (
    Blake3,
    CardEntry,
    CardFile,
    CardListing,
    Copy,
    CopyState,
    Fact,
    Place,
    PlaceId,
    Result,
    Role,
    Standing,
    Way,
)
from backupkeeper.core.outcomes import Answer, Verdict
from backupkeeper.core.policy import Policy, copies_of
from backupkeeper.core.verdict import Evidence, judge
from tests.core.made_up_copies import CLIP, DAY, NOW, PATH, SOUND, fact, mapped, place

LIMITS = {Way.READBACK: 90, Way.REHASH: 90, Way.ATTESTED: 30, Way.DOWNLOADED: 365}
CARD = "the card's own device"
NEW = Blake3("0e" * 32)


@dataclass(frozen=True, kw_only=True, slots=True)
class Case:
    """A card and all that is known of its contents."""

    listing: CardListing
    read: tuple[CardFile, ...]
    places: Mapping[PlaceId, Place]
    facts: tuple[Fact, ...]
    sealed: frozenset[Blake3]
    asked: tuple[Role, ...]

    @property
    def policy(self) -> Policy:
        return Policy(wipe_needs=self.asked)


Judge = Callable[[CardListing, Sequence[CardFile], Evidence, Policy, datetime], Verdict]


def verdict_on(case: Case, judging: Judge = judge, facts: Sequence[Fact] | None = None) -> Verdict:
    told = case.facts if facts is None else facts
    return judging(
        case.listing,
        case.read,
        Evidence(
            places=case.places,
            copies=copies_of(told, case.places, case.policy, NOW),
            sealed=case.sealed,
            card_device=CARD,
        ),
        case.policy,
        NOW,
    )


# ---- the oracle


def holds(proof: Fact, about_it: Sequence[Fact]) -> bool:  # noqa: C901 - a flat list of rules
    """Whether this one proof still stands, among all facts about the same copy."""
    if proof.result is not Result.MATCHES or proof.way not in LIMITS:
        return False
    if proof.way in {Way.READBACK, Way.REHASH} and not proof.cold:
        return False
    seen = [proof.at]
    for other in about_it:
        if other.result is not Result.MATCHES and other.at >= proof.at:
            return False
        if other.way is Way.WRITTEN and other.at > proof.at:
            return False
        if other.way is Way.LOOKED and other.at >= proof.at:
            if other.version != proof.version:
                return False
            if proof.way is Way.ATTESTED:
                seen.append(other.at)
    return NOW - max(seen) <= LIMITS[proof.way] * DAY and max(seen) - NOW <= DAY


def devices_of(case: Case, facts: Sequence[Fact], content: Blake3, role: Role) -> set[str]:
    """Devices with a copy of this content in this role that some proof vouches for."""
    found = set()
    for proof in facts:
        where = case.places.get(proof.place)
        if where is None or where.role is not role or where.standing is not Standing.ACTIVE:
            continue
        if proof.content != content or where.device in {None, CARD}:
            continue
        key = (proof.place, proof.path, proof.content)
        about_it = [one for one in facts if (one.place, one.path, one.content) == key]
        if holds(proof, about_it):
            found.add(str(where.device))
    return found


def safe(case: Case, facts: Sequence[Fact] | None = None) -> bool:
    """Whether wiping loses nothing: everything was read, and is proven as often as was asked."""
    known = case.facts if facts is None else facts
    listing = case.listing
    if not listing.files or not case.asked or listing.unreadable or listing.specials:
        return False
    for entry in listing.files:
        reads = [file for file in case.read if file.path == entry.path]
        if not reads or any(file.size != entry.size for file in reads):
            return False
    for file in case.read:
        if file.content is None or file.error is not None or file.content not in case.sealed:
            return False
        choices = [devices_of(case, known, file.content, role) for role in case.asked]
        if not any(len(set(choice)) == len(choice) for choice in product(*choices)):
            return False
    return True


# ---- cards and facts: what earns a yes, with a few things changed

ways = st.sampled_from([Way.REHASH, Way.ATTESTED, *Way])
days = st.sampled_from([0, 1, 2, 3, 20, 29, 31, 40, 89, 91, 400, -0.5, -2])
results = st.sampled_from([*[Result.MATCHES] * 6, *Result])
NAMES = ["p1", "p2", "s1", "s2", "c1", "c2"]
ROLE_OF = {"p": Role.PRIMARY, "s": Role.SECONDARY, "c": Role.CLOUD}
READ = (
    CardFile(path="A.MP4", size=10, content=CLIP),
    CardFile(path="B.WAV", size=5, content=SOUND),
)


def listing_of(*read: CardFile) -> CardListing:
    return CardListing(
        root="/media/card",
        files=tuple(CardEntry(path=one.path, size=one.size, mtime_ns=0) for one in read),
    )


def whole_case(*read: CardFile, asked: tuple[Role, ...] = tuple(Role)) -> Case:
    """Each file proven once in each role, on devices of their own: the least that earns a yes."""
    return Case(
        listing=listing_of(*read),
        read=read,
        places=mapped(*(place(name, ROLE_OF[name[0]]) for name in NAMES)),
        facts=tuple(
            fact(Way.REHASH, 1, place=PlaceId(name), content=content)
            for content in dict.fromkeys(one.content for one in read)
            for name in ("p1", "s1", "c1")
        ),
        sealed=frozenset(one.content for one in read if one.content is not None),
        asked=asked,
    )


a_fact = st.builds(
    fact,
    ways,
    days,
    results,
    cold=st.sampled_from([True, True, False]),
    place=st.sampled_from([*NAMES, "of another person"]),
    content=st.sampled_from([CLIP, SOUND]),
    version=st.sampled_from([None, None, "v1", "v2"]),
    path=st.sampled_from([PATH, PATH, "a"]),
)
fact_changes: st.SearchStrategy[dict[str, Any]] = st.one_of(
    st.fixed_dictionaries({"way": ways, "version": st.sampled_from([None, "v1"])}),
    st.fixed_dictionaries({"result": st.sampled_from(Result)}),
    st.fixed_dictionaries({"at": days.map(lambda n: NOW - n * DAY)}),
    st.just({"cold": False}),
)
place_changes: st.SearchStrategy[dict[str, Any]] = st.one_of(
    st.fixed_dictionaries(
        {"device": st.sampled_from([CARD, None, "device of p1", "device of s1", "device of c1"])}
    ),
    st.fixed_dictionaries({"standing": st.sampled_from(Standing)}),
)
file_changes: st.SearchStrategy[dict[str, Any]] = st.sampled_from(
    [{"content": None}, {"content": NEW}, {"error": "EIO"}, {"content": None, "error": "EIO"}]
)
PARTS = ["fact", "fact", "fact", "new fact", "new fact", "no fact", "place", "place"]
PARTS += ["file", "not read", "size", "special", "unreadable", "seal", "asked"]


@st.composite
def cases(draw: st.DrawFn) -> Case:
    """What earns a yes, with up to five things changed."""
    case = whole_case(*READ[: draw(st.sampled_from([2, 2, 1]))])
    for _ in range(draw(st.integers(0, 5))):
        case = replace(case, **changed(draw, case, draw(st.sampled_from(PARTS))))
    return case


def changed(  # noqa: C901, PLR0911, PLR0912 - one flat case for each part
    draw: st.DrawFn, case: Case, part: str
) -> dict[str, Any]:
    listing, read, facts = case.listing, case.read, case.facts
    file = draw(st.integers(0, max(0, len(read) - 1)))
    of = draw(st.integers(0, max(0, len(facts) - 1)))
    match part:
        case "fact":
            some = [replace(one, **draw(fact_changes)) for one in facts[of : of + 1]]
            return {"facts": (*facts[:of], *some, *facts[of + 1 :])}
        case "new fact":
            return {"facts": (*facts, draw(a_fact))}
        case "no fact":
            return {"facts": (*facts[:of], *facts[of + 1 :])}
        case "place":
            name = PlaceId(draw(st.sampled_from(["p1", "s1", "c1", *NAMES])))
            one = replace(case.places[name], **draw(place_changes))
            return {"places": {**case.places, name: one}}
        case "file":
            files = [replace(one, **draw(file_changes)) for one in read[file : file + 1]]
            return {"read": (*read[:file], *files, *read[file + 1 :])}
        case "not read":
            return {"read": (*read[:file], *read[file + 1 :])}
        case "size":
            entries = [replace(one, size=11) for one in listing.files[:1]]
            return {"listing": replace(listing, files=(*entries, *listing.files[1:]))}
        case "special":
            return {"listing": replace(listing, specials=(("pipe", "a FIFO"),))}
        case "unreadable":
            return {"listing": replace(listing, unreadable=(("DCIM", "EIO"),))}
        case "seal":
            return {"sealed": case.sealed - {CLIP}}
        case _:
            return {
                "asked": draw(st.sampled_from([(Role.PRIMARY, Role.SECONDARY), (Role.CLOUD,), ()]))
            }


many = settings(
    max_examples=300,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)


@many
@given(cases())
def test_a_yes_is_always_safe(case: Case) -> None:
    told = verdict_on(case)
    event(told.answer.value)
    if told.may_wipe:
        assert safe(case)
    assert bool(told.reasons) is not told.may_wipe


@many
@given(cases())
def test_what_is_safe_gets_a_yes_unless_a_clock_ran_ahead(case: Case) -> None:
    if safe(case) and all(one.at <= NOW for one in case.facts):
        assert verdict_on(case).may_wipe, verdict_on(case).reasons


@many
@given(cases(), st.randoms(use_true_random=False))
def test_the_order_of_facts_and_copies_never_matters(case: Case, chance: object) -> None:
    facts = list(case.facts)
    chance.shuffle(facts)  # type: ignore[attr-defined] # a random.Random, which is banned by name
    assert verdict_on(case, facts=facts).reasons == verdict_on(case).reasons


@many
@given(cases(), st.data())
def test_no_bad_news_ever_turns_a_no_into_a_yes(case: Case, data: st.DataObject) -> None:
    bad = data.draw(
        st.builds(
            fact,
            st.sampled_from(Way),
            days,
            st.sampled_from([one for one in Result if one is not Result.MATCHES]),
            place=st.sampled_from(NAMES),
            content=st.sampled_from([CLIP, SOUND]),
        )
    )
    if not verdict_on(case).may_wipe:
        assert not verdict_on(case, facts=[*case.facts, bad]).may_wipe


@many
@given(cases(), st.data())
def test_facts_of_other_copies_never_turn_a_yes_into_a_no(case: Case, data: st.DataObject) -> None:
    """Whatever is found at a path or place of its own leaves the other proofs standing."""
    other = data.draw(
        st.builds(
            fact,
            ways,
            days,
            results,
            place=st.sampled_from([*NAMES, "of another person"]),
            content=st.sampled_from([CLIP, SOUND]),
            path=st.just("elsewhere"),
        )
    )
    if verdict_on(case).may_wipe:
        assert verdict_on(case, facts=[*case.facts, other]).may_wipe


@many
@given(cases())
def test_a_yes_rests_on_proofs_and_taking_them_from_any_role_makes_it_a_no(case: Case) -> None:
    for role in case.asked if verdict_on(case).may_wipe else ():
        for file in case.read:
            rest = [
                one
                for one in case.facts
                if not (
                    one.is_proof
                    and one.content == file.content
                    and one.place in case.places
                    and case.places[one.place].role is role
                )
            ]
            assert not verdict_on(case, facts=rest).may_wipe


THE_LEAST = whole_case(READ[0])


def test_the_least_that_earns_a_yes_gets_one() -> None:
    assert verdict_on(THE_LEAST).may_wipe
    assert safe(THE_LEAST)


@pytest.mark.parametrize("gone", range(3))
def test_taking_the_only_proof_of_a_role_makes_it_a_no(gone: int) -> None:
    case = THE_LEAST
    rest = [one for n, one in enumerate(case.facts) if n != gone]
    assert not verdict_on(case, facts=rest).may_wipe
    assert not safe(case, rest)


@pytest.mark.parametrize("made", range(3))
@pytest.mark.parametrize(
    "change",
    [
        {"result": Result.DAMAGED},
        {"result": Result.CHANGED},
        {"result": Result.MISSING},
        {"result": Result.UNREADABLE},
        {"cold": False},
        {"way": Way.WRITTEN},
        {"way": Way.LOOKED},
        {"at": NOW - 91 * DAY},
        {"at": NOW + 2 * DAY},
        {"content": SOUND},
        {"place": PlaceId("of another person")},
        {"path": PATH, "way": Way.REHASH, "cold": False},
    ],
    ids=str,
)
def test_spoiling_the_only_proof_of_a_role_makes_it_a_no(
    made: int, change: dict[str, object]
) -> None:
    case = THE_LEAST
    facts = list(case.facts)
    facts[made] = replace(facts[made], **change)  # type: ignore[arg-type] # fields by name
    assert not verdict_on(case, facts=facts).may_wipe
    assert not safe(case, facts)


@pytest.mark.parametrize(
    "case",
    [
        whole_case(READ[0], asked=()),
        replace(THE_LEAST, read=(), listing=CardListing(root="/media/card", files=())),
        replace(THE_LEAST, facts=()),
        replace(THE_LEAST, sealed=frozenset()),
        replace(THE_LEAST, places={}),
        replace(THE_LEAST, read=()),
    ],
    ids=["no role", "no file on the card", "no fact", "no sealed roll", "no place", "nothing read"],
)
def test_an_empty_list_is_never_a_yes(case: Case) -> None:
    assert not verdict_on(case).may_wipe
    assert not safe(case)


# ---- sabotage: judges with one thing wrong, each of which the rule above must catch


def _yes(told: Verdict) -> Verdict:
    return replace(told, answer=Answer.YES, reasons=())


def _relabelled(evidence: Evidence, change: Callable[[Copy], Copy]) -> Evidence:
    return replace(
        evidence,
        copies={
            content: [change(one) for one in some] for content, some in evidence.copies.items()
        },
    )


def always_yes(
    listing: CardListing,
    read: Sequence[CardFile],
    evidence: Evidence,
    policy: Policy,
    now: datetime,
) -> Verdict:
    return _yes(judge(listing, read, evidence, policy, now))


def believes(*states: CopyState) -> Judge:
    def judging(
        listing: CardListing,
        read: Sequence[CardFile],
        evidence: Evidence,
        policy: Policy,
        now: datetime,
    ) -> Verdict:
        def change(one: Copy) -> Copy:
            return replace(one, state=CopyState.PROVEN) if one.state in states else one

        return judge(listing, read, _relabelled(evidence, change), policy, now)

    return judging


def forgets(part: str) -> Judge:  # noqa: C901 - one flat case for each part
    """A judge that does not look at one part of the question."""

    def judging(  # noqa: C901, PLR0912 - one flat case for each part
        listing: CardListing,
        read: Sequence[CardFile],
        evidence: Evidence,
        policy: Policy,
        now: datetime,
    ) -> Verdict:
        match part:
            case "specials":
                listing = replace(listing, specials=())
            case "unreadable":
                listing = replace(listing, unreadable=())
            case "files not read":
                was_read = {file.path for file in read}
                kept = tuple(one for one in listing.files if one.path in was_read)
                listing = replace(listing, files=kept or listing.files)
            case "read errors":
                read = [file for file in read if file.content is not None]
                read = [replace(file, error=None) for file in read]
                listing = replace(
                    listing,
                    files=tuple(
                        CardEntry(path=one.path, size=one.size, mtime_ns=0) for one in read
                    ),
                )
            case "sizes":
                listed = {entry.path: entry.size for entry in listing.files}
                read = [replace(one, size=listed.get(one.path, one.size)) for one in read]
            case "seals":
                evidence = replace(evidence, sealed={file.content for file in read if file.content})
            case "devices":
                policy = replace(policy, distinct_devices=False)
            case "the card's device":
                evidence = replace(evidence, card_device=None)
            case "a role":
                policy = replace(policy, wipe_needs=policy.wipe_needs[:2])
            case "the last file":
                read = read[:-1]
                kept_paths = {file.path for file in read}
                listing = replace(
                    listing, files=tuple(one for one in listing.files if one.path in kept_paths)
                )
            case _:
                raise AssertionError(part)
        return judge(listing, read, evidence, policy, now)

    return judging


def unless_first(code_of_reason: int) -> Judge:
    """A judge that says yes where only one reason speaks against."""

    def judging(
        listing: CardListing,
        read: Sequence[CardFile],
        evidence: Evidence,
        policy: Policy,
        now: datetime,
    ) -> Verdict:
        told = judge(listing, read, evidence, policy, now)
        return _yes(told) if len(told.reasons) == code_of_reason else told

    return judging


def sabotages() -> Iterator[tuple[str, Judge]]:
    yield "always yes", always_yes
    yield "yes with one reason against", unless_first(1)
    for state in CopyState:
        if state not in {CopyState.PROVEN, CopyState.ABSENT}:
            yield f"believes {state}", believes(state)
    for part in (
        "specials",
        "unreadable",
        "files not read",
        "read errors",
        "sizes",
        "seals",
        "devices",
        "the card's device",
        "a role",
        "the last file",
    ):
        yield f"forgets {part}", forgets(part)


SABOTAGES = dict(sabotages())


@pytest.mark.parametrize("how", SABOTAGES)
def test_a_sabotaged_judge_is_caught(how: str) -> None:
    def is_false_yes(case: Case) -> bool:
        return verdict_on(case, SABOTAGES[how]).may_wipe and not safe(case)

    try:
        found = find(
            cases(),
            is_false_yes,
            settings=settings(
                max_examples=5000,
                deadline=None,
                database=None,
                phases=[Phase.generate],
                suppress_health_check=list(HealthCheck),
            ),
        )
    except NoSuchExample:
        pytest.fail(f"no false yes was found by a judge that {how}")
    assert not verdict_on(found).may_wipe
