"""Promise 5 in core, sabotaged: the oracle catches every wrong judge.

So the tests of promise 5 can fail.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from datetime import datetime

import pytest
from hypothesis import HealthCheck, Phase, find, settings
from hypothesis.errors import NoSuchExample

from backupkeeper.core.model import (
    CardEntry,
    CardFile,
    CardListing,
    Copy,
    CopyState,
)
from backupkeeper.core.outcomes import Answer, Verdict
from backupkeeper.core.policy import Policy
from backupkeeper.core.verdict import Evidence, judge
from tests.core.promise_5_cases import Case, Judge, cases, safe, verdict_on


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
