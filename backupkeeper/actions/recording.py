"""Recording what was found to be bad, so that it can't be forgotten.

The newest fact about a copy wins, by its time. A clock that ran ahead leaves proofs dated in the
future; damage that is seen after the clock was set right would be older than they are, and once
time has reached them the copy would count as proven again, by nothing but waiting. What is seen
later must be dated later: that is all this does.
"""

from collections.abc import Iterable
from dataclasses import replace
from datetime import timedelta

from backupkeeper.actions.context import Context
from backupkeeper.core.model import Fact, Result

TICK = timedelta(microseconds=1)
"""The catalog's grain of time."""


def record_seen(context: Context, facts: Iterable[Fact]) -> None:
    """Record facts that were seen just now; bad ones are dated after all that is known of the copy."""
    context.catalog.record(facts=[_after_all_known(context, fact) for fact in facts])


def _after_all_known(context: Context, fact: Fact) -> Fact:
    if fact.result is Result.MATCHES:
        return fact
    latest = max(
        (
            known.at
            for known in context.catalog.facts_at(fact.place, below=fact.path)
            if known.path == fact.path and known.content == fact.content and known != fact
        ),
        default=fact.at,
    )
    return fact if latest < fact.at else replace(fact, at=latest + TICK)
