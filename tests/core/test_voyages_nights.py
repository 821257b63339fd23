"""A year of nights: proofs are spread over them, and none gets too old."""

from collections import Counter
from datetime import date, timedelta

from backupkeeper.core.model import PlaceId, Role, Way
from tests.core.voyage import Voyage
from tests.core.voyage_nights import Nights
from tests.core.voyage_parts import GB, POLICY, Card, name

DAY = timedelta(days=1)
CARDS, FILE = 24, 15 * GB
SETTLED = 100
"""Days after which the first interval is over."""


def a_year(every: dict[str, int], nights: Nights) -> Voyage:
    """Two busy days; then the drives are plugged in for some hours of every so-manieth night."""
    voyage = Voyage(5, nights=nights)
    for drive in every:
        voyage.plug(drive)
    for number in range(CARDS):
        card = f"card {number}"
        voyage.cards[card] = Card(token=card, files=[("A.MP4", name(number), FILE)])
        voyage.run(timedelta(hours=1))
        del voyage.cards[card]
    voyage.run(6 * DAY)
    assert voyage.gaps() == []
    for drive in every:
        voyage.unplug(drive)
    for night in range(365):
        evening = (voyage.now + DAY).replace(hour=0, minute=30, second=0, microsecond=0)
        voyage.run(evening - voyage.now)
        for drive, nth in every.items():
            if night % nth == 0:
                voyage.plug(drive)
        voyage.run(timedelta(hours=4))
        for drive in every:
            voyage.unplug(drive)
        due = [gap for gap in voyage.gaps() if gap[1] is not Role.CLOUD]
        assert due == [], f"a proof is too old in the night to {voyage.now}"
    return voyage


def read(voyage: Voyage, drive: str) -> Counter[date]:
    """Bytes by night."""
    found: Counter[date] = Counter()
    for roll in voyage.rolls.values():
        for file in roll.files:
            for fact in voyage.facts[file.content]:
                if fact.way is Way.REHASH and fact.place == PlaceId(drive):
                    found[fact.at.date()] += file.size
    return found


def most_after_a_pass(voyage: Voyage, drive: str) -> int:
    first = min(roll.head.sealed_at for roll in voyage.rolls.values()).date()
    nights = read(voyage, drive)
    return max(size for at, size in nights.items() if at - first > timedelta(days=SETTLED))


def even_share(nth: int) -> float:
    """Bytes for each night on which the drive comes, if all were alike."""
    return CARDS * FILE * nth / (POLICY.drive_proof_age / DAY)


def test_a_year_of_nights_reads_a_level_share_each_and_nothing_gets_too_old() -> None:
    every = {"Main": 1, "Travel": 4}
    voyage = a_year(every, Nights())
    for drive, nth in every.items():
        # What is read is read file by file: the last one may reach beyond the share.
        assert most_after_a_pass(voyage, drive) <= 2 * even_share(nth) + FILE
        total = sum(read(voyage, drive).values())
        assert total <= 1.35 * CARDS * FILE * 372 / (POLICY.drive_proof_age / DAY)


def test_without_shares_a_busy_day_comes_back_as_a_busy_night() -> None:
    """So that the test above is known to see the difference."""
    voyage = a_year({"Main": 1, "Travel": 1}, Nights(is_level=False))
    assert most_after_a_pass(voyage, "Main") > 5 * even_share(1) + FILE
