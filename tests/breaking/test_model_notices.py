"""Can the model fail? The program is broken in one way after the other, and it has to notice each."""

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import pytest

from backupkeeper.actions import gaps, glance, proving
from backupkeeper.actions.card_listing import listed_card
from backupkeeper.actions.context import Context
from backupkeeper.core import policy
from backupkeeper.core.model import Blake3, Copy, CopyState, Fact, Result
from backupkeeper.core.verdict import judge
from backupkeeper.system.files import RealFiles
from backupkeeper.transfer import coldread, placing
from backupkeeper.transfer.arrival import Arrivals
from backupkeeper.transfer.coldread import ColdReading
from tests.breaking.stories import IS_LONG, say, tell, told_in
from tests.breaking.tally import TALLY

pytest_plugins = ["tests.real.store_fixtures"]


def never_reads_back(patch: pytest.MonkeyPatch) -> None:
    """What was written is believed to be what stands there."""

    def prove(_: Arrivals, arrival: Any, reader: object) -> None:
        content = arrival.content
        arrival.reading = ColdReading(
            xxh128=content.xxh128,
            block_map=content.block_map,
            size=content.size,
            mtime_ns=0,
            cold=True,
            evidence="pages dropped",
            why_not_cold="",
        )

    patch.setattr(Arrivals, "_prove", prove)


def trusts_the_page_cache(patch: pytest.MonkeyPatch) -> None:
    """Nothing is dropped or by-passed, and what is read from memory is called cold."""
    patch.setattr(coldread, "open_direct", lambda *_: None)
    patch.setattr(coldread, "_drop", lambda *_: 0)


def believes_every_reading(patch: pytest.MonkeyPatch) -> None:
    """Verify says that all is well, whatever was read."""
    real = proving._judged

    def judged(asked: Any, reading: ColdReading) -> tuple[Fact, ColdReading]:
        fact, read = real(asked, reading)
        return replace(fact, result=Result.MATCHES, damage=()), read

    patch.setattr(proving, "_judged", judged)


def counts_what_is_missing(patch: pytest.MonkeyPatch) -> None:
    """Gaps take a copy that is gone for a proven one."""
    real = policy.copies_of

    def copies_of(*given: Any) -> Mapping[Blake3, Sequence[Copy]]:
        return {
            content: [
                replace(copy, state=CopyState.PROVEN) if copy.state == "missing" else copy
                for copy in group
            ]
            for content, group in real(*given).items()
        }

    patch.setattr(gaps, "copies_of", copies_of)


def overlooks_what_is_new_on_a_card(patch: pytest.MonkeyPatch) -> None:
    """The verdict leaves out files that no sealed roll has."""

    def judged(listing: Any, read: Sequence[Any], evidence: Any, *rest: Any) -> Any:
        known = [file for file in read if file.content in evidence.sealed]
        paths = {file.path for file in known}
        files = tuple(entry for entry in listing.files if entry.path in paths)
        return judge(replace(listing, files=files), known, evidence, *rest)

    patch.setattr("backupkeeper.actions.may_wipe.judge", judged)


def overwrites(patch: pytest.MonkeyPatch) -> None:
    """Whatever has a name loses it to what is brought."""
    patch.setattr(Arrivals, "_stands", lambda *_: False)
    patch.setattr(RealFiles, "rename_new", lambda _, old, new: os.replace(old, new))


def writes_on_the_card(patch: pytest.MonkeyPatch) -> None:
    """An offload leaves a note on the card."""

    def listed(context: Context, card: str, drives: Any) -> Any:
        Path(card, "offloaded.txt").write_text("on this day")
        return listed_card(context, card, drives)

    patch.setattr("backupkeeper.actions.offload_plan.listed_card", listed)


def believes_what_is_due(patch: pytest.MonkeyPatch) -> None:
    """A proof never gets too old."""
    patch.setattr(policy, "_state_of_match", lambda *_: CopyState.PROVEN)


def forgets_that_it_was_away(patch: pytest.MonkeyPatch) -> None:
    """What was proven before a drive was lost counts when it is back."""
    patch.setattr(policy, "counting", lambda facts, _: facts)


def keeps_nothing_aside(patch: pytest.MonkeyPatch) -> None:
    """A damaged file is gone once it is repaired."""
    patch.setattr(placing, "_keep", lambda *_: True)


def never_glances(patch: pytest.MonkeyPatch) -> None:
    """The verdict looks at no copy."""
    patch.setattr(glance, "_look", lambda *_: None)


@dataclass(frozen=True)
class Sabotage:
    """One way to break the program.

    Args:
        how: does it.
        within: in so many steps the model has to notice it.
        told: what is said then.
        is_quick: noticed soon enough for the short form.
    """

    how: Callable[[pytest.MonkeyPatch], None]
    within: int
    told: str
    is_quick: bool = False


SABOTAGES: Final = (
    Sabotage(never_reads_back, 2000, "holds wrong bytes"),
    Sabotage(trusts_the_page_cache, 3000, "counts as proven, and is not"),
    Sabotage(believes_every_reading, 1500, "counts as proven, and is not"),
    Sabotage(counts_what_is_missing, 4000, "is said to have no gap"),
    Sabotage(overlooks_what_is_new_on_a_card, 1500, "a false yes"),
    Sabotage(overwrites, 4000, "is other than it was"),
    Sabotage(writes_on_the_card, 100, "was written to", is_quick=True),
    Sabotage(believes_what_is_due, 500, "counts as proven, and is not", is_quick=True),
    Sabotage(forgets_that_it_was_away, 500, "counts as proven, and is not", is_quick=True),
    Sabotage(keeps_nothing_aside, 1500, "is other than it was"),
    Sabotage(never_glances, 3000, "counts as proven, and is not"),
)


def told_until_noticed(within: int) -> None:
    seed = 1
    while TALLY["steps"] < within:
        tell(seed, shrinks=False)
        seed += 1


@pytest.mark.slow
@pytest.mark.timeout(0)
@pytest.mark.parametrize(
    "sabotage",
    [one for one in SABOTAGES if one.is_quick or IS_LONG],
    ids=lambda one: one.how.__name__,
)
def test_the_model_notices_a_program_that_breaks_a_promise(
    sabotage: Sabotage,
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    credentials: None,
    one_loader: None,
    at_once: None,
) -> None:
    sabotage.how(monkeypatch)
    with told_in(tmp_path), pytest.raises(AssertionError, match=sabotage.told):
        told_until_noticed(sabotage.within)
    say(f"{sabotage.how.__name__}: noticed at step {TALLY['steps']}, retelling included")
