"""The weekly word names when each bucket will have all."""

from datetime import UTC, datetime, timedelta

from backupkeeper.core.arrival import NOT_MEASURED, Arrival
from backupkeeper.core.outcomes import GapReport
from backupkeeper.report.weekly import weekly_text

NOW = datetime(2026, 6, 12, 12, tzinfo=UTC)


def text(*arrivals: Arrival) -> str:
    report = GapReport(at=NOW, rolls=())
    return weekly_text(report, seen={}, zone=UTC, next_at=None, arrivals=arrivals)


def test_what_is_on_the_way_is_told_with_its_range_or_that_it_is_not_known() -> None:
    known = Arrival(
        place="Off site",
        to_go=412 * 10**9,
        earliest=NOW + timedelta(hours=38),
        latest=NOW + timedelta(hours=69),
    )
    told = text(known, Arrival(place="Vault", to_go=10**9, why=NOT_MEASURED))
    words = " ".join(told.partition("On the way")[2].split())
    assert words.startswith(
        "Off site: 412 GB to go, done between Sunday 02:00 and Monday 09:00. "
        "Vault: 1.00 GB to go; when that is done is not known yet."
    )
    assert "On the way" not in text()
