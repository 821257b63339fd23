"""Which files of a card are new."""

from hypothesis import given, strategies as st

from backupkeeper.core.model import Blake3, CardEntry, RollFile
from backupkeeper.core.taking import (
    ZONE_STEP_NS,
    KnownRoll,
    fits_card,
    is_carried,
    likely_home,
    same_time,
)

HOUR_NS = 3600 * 10**9


def entry(path: str, size: int = 10, mtime_ns: int = 0) -> CardEntry:
    return CardEntry(path=path, size=size, mtime_ns=mtime_ns)


def taken(path: str, size: int = 10, mtime_ns: int = 0, content: str = "") -> RollFile:
    return RollFile(path=path, content=Blake3(content or path), size=size, mtime_ns=mtime_ns)


def roll(*files: RollFile, sealed: bool = True) -> KnownRoll:
    return KnownRoll(
        folder="260612 Boatyard/Originals/Wide/Roll 01",
        sealed=sealed,
        files={file.path: file for file in files},
    )


@given(st.integers(-104, 104), st.integers(-2_000_000_000, 2_000_000_000), st.integers(0, 10**18))
def test_a_time_read_in_another_zone_or_rounded_to_two_seconds_is_the_same_time(
    steps: int, off_ns: int, time_ns: int
) -> None:
    assert same_time(time_ns, time_ns + steps * ZONE_STEP_NS + off_ns) == (
        abs(steps * ZONE_STEP_NS + off_ns) <= 26 * HOUR_NS + 2_000_000_000
    )


def test_times_a_minute_or_two_days_apart_are_not_the_same() -> None:
    assert not same_time(0, 60 * 10**9)
    assert not same_time(0, 48 * HOUR_NS)
    assert not same_time(0, 2_000_000_001)


def test_a_file_with_its_path_size_and_time_is_likely_the_one_that_was_taken() -> None:
    known = roll(taken("DCIM/A", mtime_ns=5))
    assert likely_home(entry("DCIM/A", mtime_ns=6), [known], lambda *_: False) is known


def test_another_time_is_likely_only_if_the_first_block_is_alike() -> None:
    known = roll(taken("DCIM/A"))
    late = entry("DCIM/A", mtime_ns=60 * 10**9)
    assert likely_home(late, [known], lambda *_: True) is known
    assert likely_home(late, [known], lambda *_: False) is None


def test_another_size_or_path_is_never_likely() -> None:
    known = roll(taken("DCIM/A"))
    assert likely_home(entry("DCIM/A", size=11), [known], lambda *_: True) is None
    assert likely_home(entry("DCIM/B"), [known], lambda *_: True) is None


def test_a_card_with_half_of_a_rolls_bytes_is_that_rolls_card() -> None:
    known = roll(taken("A", 50, content="a"), taken("B", 50, content="b"))
    assert is_carried(known, {"A": Blake3("a"), "B": Blake3("other")})


def test_a_card_with_only_a_rolls_sidecar_is_another_card() -> None:
    known = roll(taken("CLIP", 1000, content="a"), taken("INDEX", 10, content="b"))
    assert not is_carried(known, {"CLIP": Blake3("other"), "INDEX": Blake3("b")})


def test_a_roll_of_empty_files_is_carried_only_whole() -> None:
    known = roll(taken("A", 0, content="e"), taken("B", 0, content="e"))
    assert is_carried(known, {"A": Blake3("e"), "B": Blake3("e")})
    assert not is_carried(known, {"A": Blake3("e")})


def test_an_unfinished_roll_is_always_this_cards_own() -> None:
    assert is_carried(roll(taken("A", 50), sealed=False), {})


def test_an_unfinished_roll_fits_a_card_that_still_has_each_of_its_files() -> None:
    card = {"A": entry("A"), "B": entry("B")}
    assert fits_card([taken("A")], card, lambda *_: False)
    assert fits_card([], card, lambda *_: False)
    assert not fits_card([taken("A", size=11)], card, lambda *_: True)
    assert not fits_card([taken("C")], card, lambda *_: True)


def test_the_same_names_and_sizes_with_other_times_fit_only_if_the_first_blocks_are_alike() -> None:
    card = {"A": entry("A", mtime_ns=60 * 10**9)}
    assert fits_card([taken("A")], card, lambda *_: True)
    assert not fits_card([taken("A")], card, lambda *_: False)
