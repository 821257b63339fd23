"""The sample of buckets, told from sums: edges by hand (all else is held in actions/test_survey_in_sum.py)."""

from collections.abc import Collection
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from backupkeeper.core.model import (
    Blake3,
    Fact,
    Place,
    PlaceId,
    PlaceKind,
    Result,
    Role,
    RollFile,
    RollHead,
    RollId,
    Way,
)
from backupkeeper.core.needs import Circumstances
from backupkeeper.core.needs_summed import InSum, Looked, need_in_sum
from backupkeeper.core.policy import Policy, copies_of
from backupkeeper.core.sampling import Drawn, Sampling
from backupkeeper.core.scrub import sample_moment
from backupkeeper.core.sums import NEVER, Group, Home, Kind, RollSums, Slot, micros

NOW = datetime(2026, 6, 12, 18, 30, tzinfo=UTC)
DAY = timedelta(days=1)
VAULT, CELLAR = PlaceId("vault"), PlaceId("cellar")
HEAD = RollHead(
    id=RollId("r"),
    shoot="260612 Boatyard",
    source="Wide",
    name="Roll 01",
    folder="260612 Boatyard/Originals/Wide/Roll 01",
    sealed_at=NOW - 500 * DAY,
    file_count=3,
    size_bytes=30,
)
PLACES = {
    ident: Place(
        id=ident,
        name=ident.title(),
        role=Role.CLOUD,
        kind=PlaceKind.BUCKET,
        created_at=NOW - 900 * DAY,
        location=f"s3://{ident}",
        device=ident,
    )
    for ident in (VAULT, CELLAR)
}
FILES = tuple(
    RollFile(path=f"{letter}.MP4", content=Blake3(letter * 64), size=10, mtime_ns=0)
    for letter in "abc"
)
Sent = dict[PlaceId, list[datetime]]
"""When each file was sent to each bucket; looks keep all young."""
TURNS = [sample_moment(file.content, NOW, percent=100) or NOW for file in FILES]
"""When each had its turn to be fetched back."""
BEFORE = [min(TURNS) - days * DAY for days in (1, 2, 3)]
SENT: Sent = {
    CELLAR: BEFORE,
    # The first before its turn, the others since theirs: so one only is to be fetched.
    VAULT: [TURNS[0] - DAY, TURNS[1] + DAY, TURNS[2] + DAY],
}


def ago(days: float) -> int:
    return micros(NOW - days * DAY)


def slot(place: PlaceId, sent: Sent) -> Slot:
    begin, end, young = micros(min(sent[place])), micros(max(sent[place])), ago(1)
    return Slot(
        place, Home.OWN, Kind.ATTESTED, begin, end, young, young, NEVER, NEVER, young, begin, end
    )


def facts_about(file: RollFile, number: int, sent_at: Sent) -> list[Fact]:
    sent = [
        Fact(
            at=sent_at[place][number],
            place=place,
            path=f"{HEAD.folder}/{file.path}",
            content=file.content,
            way=Way.ATTESTED,
            result=Result.MATCHES,
        )
        for place in PLACES
    ]
    return [*sent, *(replace(one, at=NOW - DAY, way=Way.LOOKED) for one in sent)]


def asked(sampling: Sampling, sent: Sent = SENT) -> tuple[InSum | None, list[str]]:
    """What the roll needs, and which files were looked at for it."""
    looked: list[str] = []
    around = Circumstances(
        places=PLACES, policy=Policy(roles=(Role.CLOUD,)), now=NOW, sampling=sampling
    )

    def look(paths: Collection[str]) -> Looked:
        looked.extend(sorted(paths))
        files = [file for file in FILES if file.path in paths]
        facts = [
            fact
            for number, file in enumerate(FILES)
            if file in files
            for fact in facts_about(file, number, sent)
        ]
        copies = copies_of(facts, around.places, around.policy, around.now)
        return Looked(files=files, facts=facts, copies=copies)

    sums = RollSums(
        id=HEAD.id,
        number=1,
        sealed=0,
        stamp=1,
        groups=(Group(3, 30, (slot(CELLAR, sent), slot(VAULT, sent))),),
        odd=(),
        odd_bytes=0,
        names={},
    )
    drawn = [
        Drawn(path=file.path, size_bytes=10, moment=moment)
        for file, moment in zip(FILES, TURNS, strict=True)
    ]
    return need_in_sum(HEAD, sums, around, look, lambda: sums, drawn), looked


def ageing(made: InSum | None, place: PlaceId) -> int:
    assert made is not None
    return 0 if made.need is None else made.need.at[place].ageing_files


def test_what_hangs_on_the_single_file_is_looked_at_and_counted_in_that_bucket_only() -> None:
    made, looked = asked(Sampling(percent=100))
    begin = min(SENT[VAULT])
    assert looked == [file.path for file, turn in zip(FILES, TURNS, strict=True) if turn > begin], (
        "before that none of them was there"
    )
    assert looked
    assert (ageing(made, CELLAR), ageing(made, VAULT)) == (3, 1)


def test_with_a_spent_budget_nothing_is_asked_for() -> None:
    made, looked = asked(Sampling(percent=100, spent=frozenset(PLACES)))
    assert made is not None
    assert (made.need, looked) == (None, [])


def test_what_was_sent_too_long_ago_is_looked_at_file_by_file() -> None:
    long_ago = [NOW - days * DAY for days in (367, 366, 360)]
    assert asked(Sampling(years=1), {VAULT: long_ago, CELLAR: long_ago}) == (None, [])
    assert asked(Sampling(years=2), {VAULT: long_ago, CELLAR: long_ago})[0] is not None
