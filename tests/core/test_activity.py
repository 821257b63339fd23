"""Somebody else on a disk is told from our own reading, and from a moment's noise."""

from hypothesis import given, strategies as st

from backupkeeper.core.activity import CALM_S, SAID, SAMPLE_S, Activity, Sample

MB = 1_000_000


class Stand:
    def __init__(self) -> None:
        self.activity = Activity()
        self.at, self.passed, self.ours = 0.0, 0, 0
        self.take()

    def take(self, *, unknown: bool = False) -> bool:
        self.activity.take(
            Sample(
                at_s=self.at,
                passed={"sdb1": self.passed, "new": 5} if self.at else {"sdb1": self.passed},
                ours={"sdb1": self.ours},
                unknown={"sdb1"} if unknown else (),
            )
        )
        return "sdb1" in self.activity.busy

    def span(
        self, *, others: int = 0, ours: int = 0, seconds: float = SAMPLE_S, unknown: bool = False
    ) -> bool:
        """So many bytes a second pass for a while; whether the disk counts as busy then."""
        self.at += seconds
        self.passed += int((others + ours) * seconds)
        self.ours += int(ours * seconds)
        return self.take(unknown=unknown)


def test_somebody_who_reads_for_two_samples_is_noticed() -> None:
    stand = Stand()
    assert not stand.span(others=50 * MB)
    assert stand.span(others=50 * MB)
    assert stand.activity.busy == {"sdb1": SAID}


def test_one_loud_moment_is_none() -> None:
    stand = Stand()
    for _ in range(5):
        assert not stand.span(others=50 * MB)
        assert not stand.span()


def test_our_own_reading_is_never_somebody_elses() -> None:
    stand = Stand()
    for _ in range(50):
        assert not stand.span(ours=150 * MB)


def test_somebody_beside_us_is_noticed() -> None:
    stand = Stand()
    stand.span(ours=50 * MB, others=80 * MB)
    assert stand.span(ours=50 * MB, others=80 * MB)


def test_busy_ends_only_after_half_a_minute_of_calm() -> None:
    stand = Stand()
    stand.span(others=50 * MB)
    assert stand.span(others=50 * MB)
    for _ in range(int(CALM_S / SAMPLE_S) - 1):
        assert stand.span()
    assert not stand.span()


def test_nothing_is_said_where_our_own_copies_move_bytes_that_nobody_counts() -> None:
    stand = Stand()
    for _ in range(5):
        assert not stand.span(others=300 * MB, unknown=True)
    assert not stand.span(others=300 * MB), "the sample before was not known either"


def test_a_long_time_without_looks_begins_anew() -> None:
    stand = Stand()
    stand.span(others=50 * MB)
    stand.span(others=50 * MB)
    assert not stand.span(others=50 * MB, seconds=60)


def test_two_looks_at_once_are_one() -> None:
    stand = Stand()
    stand.span(others=50 * MB)
    assert not stand.span(others=500 * MB, seconds=0.1)


@given(st.lists(st.tuples(st.integers(0, 200 * MB), st.sampled_from([0, 1 * MB])), max_size=30))
def test_quiet_others_never_count_whatever_we_do(spans: list[tuple[int, int]]) -> None:
    stand = Stand()
    assert not any(stand.span(ours=ours, others=others) for ours, others in spans)
