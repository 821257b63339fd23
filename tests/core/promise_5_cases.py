"""Made-up cases for promise 5 in core, and an oracle that knows what safe means.

``safe`` tries everything, from facts alone and without our code. It knows the rules of DESIGN
sections 2 and 3 and nothing of how core keeps them.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import product
from typing import Any

from hypothesis import HealthCheck, settings, strategies as st

from backupkeeper.core.model import (
    Blake3,
    CardEntry,
    CardFile,
    CardListing,
    Fact,
    Place,
    PlaceId,
    Result,
    Role,
    Standing,
    Way,
)
from backupkeeper.core.outcomes import Verdict
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
