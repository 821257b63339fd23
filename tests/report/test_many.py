"""Thousands of troubles, findings and renamed files are counted, not poured over the person."""

from collections.abc import Callable

import pytest

from backupkeeper.core.outcomes import (
    Checked,
    Finding,
    MirrorOutcome,
    OffloadOutcome,
    Trouble,
    VerifyOutcome,
)
from backupkeeper.report.checks import verify_lines
from backupkeeper.report.deeds import mirror_lines, offload_lines
from backupkeeper.report.lines import Line, Look
from tests.report.boatyard import look, offloaded, text

PATHS = tuple(f"DCIM/{number:04}.MP4" for number in range(3_000))
TROUBLES = tuple(
    Trouble(place="Travel", path=path, message=f"Could not write {path} (ENODEV).")
    for path in PATHS
)


def offload_with(outcome: OffloadOutcome) -> Callable[[Look], list[Line]]:
    return lambda at: offload_lines(outcome, at)


def mirror(at: Look) -> list[Line]:
    rolls = tuple((path, "Travel") for path in PATHS)
    outcome = MirrorOutcome(
        copied_files=1, copied_bytes=1, rolls=rolls, waiting=PATHS, troubles=TROUBLES
    )
    return mirror_lines(outcome, at)


def verify(at: Look) -> list[Line]:
    outcome = VerifyOutcome(
        what="Travel",
        matching_files=1,
        matching_bytes=1,
        not_cold={},
        checked=tuple(
            Checked(place="Travel", path=path, finding=Finding.MISSING, size=1, cold=False)
            for path in PATHS
        ),
        manifests=PATHS,
        manifest_faults=TROUBLES,
        troubles=TROUBLES,
    )
    return verify_lines(outcome, at)


@pytest.mark.parametrize(
    "lines",
    [
        offload_with(offloaded(troubles=TROUBLES)),
        offload_with(offloaded(renamed=tuple((path, f"{path}_") for path in PATHS))),
        offload_with(offloaded(specials=tuple((path, f"why {path}") for path in PATHS))),
        offload_with(offloaded(left_out=tuple((path, "litter") for path in PATHS))),
        offload_with(offloaded(warnings=PATHS)),
        mirror,
        verify,
    ],
    ids=["troubles", "renamed", "specials", "left out", "warnings", "mirror", "verify"],
)
def test_the_first_few_are_told_and_the_rest_counted(
    lines: Callable[[Look], list[Line]],
) -> None:
    few = lines(look())
    assert "and 2,990 more (--all lists them)" in text(few)
    assert len(few) < 160
    assert PATHS[0] in text(few)
    assert PATHS[-1] not in text(few)
    every = text(lines(look(most_paths=0)))
    assert all(path in every for path in PATHS)
    assert "more" not in every
