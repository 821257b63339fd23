"""Exit codes: 0 only where everything that was asked for was shown."""

from dataclasses import replace

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.model import Role
from backupkeeper.core.outcomes import (
    Checked,
    Finding,
    OffloadOutcome,
    Reason,
    ReasonCode,
    Trouble,
    VerifyOutcome,
)
from backupkeeper.report import exits
from tests.report.boatyard import CLIPS, cover, gap_report, judged, offloaded, verdict

REASONS = st.builds(
    Reason,
    code=st.sampled_from(ReasonCode),
    role=st.one_of(st.none(), st.sampled_from(Role)),
    paths=st.lists(st.sampled_from(CLIPS)).map(tuple),
)


@given(st.lists(REASONS, max_size=3))
def test_may_wipe_exits_0_for_a_yes_and_for_nothing_else(reasons: list[Reason]) -> None:
    one = verdict(judged(CLIPS[0]), reasons=tuple(reasons))
    assert (exits.of_verdict(one) == 0) == one.may_wipe == (not reasons)


@pytest.mark.parametrize("unfinished", [(), ("260613 Boatyard/Originals/Close/Roll 01",)])
def test_gaps_exit_0_only_without_a_gap_and_without_an_unfinished_offload(
    unfinished: tuple[str, ...],
) -> None:
    report = gap_report(cover(), unfinished=unfinished)
    assert exits.of_gaps(report) == (1 if unfinished else 0)


TROUBLE = (Trouble(place="Travel", path=CLIPS[0], message="Could not write."),)


@pytest.mark.parametrize(
    ("outcome", "code"),
    [
        (offloaded(), 0),
        (offloaded(new_files=0, new_bytes=0, known_files=40, roll=None, folder=None), 0),
        (offloaded(new_files=10, known_files=20, resumed_files=10), 0),
        (offloaded(proven_at={"Main": 40, "Travel": 39}), 1),
        (offloaded(proven_at={"Main": 40}), 1),
        (offloaded(not_cold={"Travel": "a network share"}), 1),
        (offloaded(troubles=TROUBLE), 1),
        (offloaded(unwritten=("Travel: the manifest was not written.",)), 1),
        (offloaded(specials=(("DCIM/link", "link"),)), 1),
        (offloaded(sealed=False), 3),
        (offloaded(places=(), proven_at={}), 3),
        (
            offloaded(left_out=((".DS_Store", "folder view"),), warnings=("A clip in the trash.",)),
            0,
        ),
    ],
)
def test_an_offload_exits_0_only_if_every_file_is_proven_on_every_drive(
    outcome: OffloadOutcome, code: int
) -> None:
    assert exits.of_offload(outcome) == code


READ = VerifyOutcome(
    what="Travel",
    matching_files=40,
    matching_bytes=3_200_000_000,
    not_cold={},
    checked=(),
    manifests=(),
    manifest_faults=(),
    troubles=(),
)


def found(finding: Finding) -> VerifyOutcome:
    one = Checked(place="Travel", path=CLIPS[0], finding=finding, size=1, cold=True)
    return replace(READ, checked=(one,))


def test_a_verify_that_read_everything_and_found_it_right_exits_0() -> None:
    assert exits.of_verify(READ, asked=True) == exits.of_verify(READ, asked=False) == 0


@pytest.mark.parametrize("finding", Finding)
@pytest.mark.parametrize("asked", [True, False])
def test_whatever_a_verify_found_needs_attention(finding: Finding, asked: bool) -> None:
    assert exits.of_verify(found(finding), asked=asked) == 1
    gone = replace(found(finding), skipped=("Main is not here.",))
    assert exits.of_verify(gone, asked=asked) == 1


@pytest.mark.parametrize("asked", [True, False])
def test_a_verify_that_read_nothing_shows_nothing(asked: bool) -> None:
    nothing = replace(READ, matching_files=0, matching_bytes=0)
    assert exits.of_verify(nothing, asked=asked) == 1
    away = replace(nothing, skipped=("Travel is not here.",))
    assert exits.of_verify(away, asked=asked) == 3


def test_a_drive_on_the_shelf_matters_only_where_it_was_asked_for() -> None:
    away = replace(READ, skipped=("Main is not here.",))
    assert exits.of_verify(away, asked=False) == 0
    assert exits.of_verify(away, asked=True) == 3
