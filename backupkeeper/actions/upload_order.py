"""In which order rolls go to a bucket by hand: the order in which the daemon sends them, too."""

from collections.abc import Collection
from typing import Final

from backupkeeper.actions.context import Context
from backupkeeper.actions.survey import survey
from backupkeeper.core.model import Role, RollHead, RollId
from backupkeeper.core.sending_order import rank

_ALL: Final = len(Role)


def heads_in_order(context: Context, wanted: Collection[RollId]) -> list[RollHead]:
    """Those of these rolls that are sealed, the most urgent first (``core.sending_order``).

    A roll that lacks nothing, whose objects only want looking at, comes last.
    """
    heads = [head for head in context.catalog.rolls() if head.id in wanted]
    if len(heads) < 2:  # noqa: PLR2004 - one roll has no order, and a survey reads many facts
        return heads
    fewest = {need.roll.id: need.fewest for need in survey(context, {})}
    return sorted(heads, key=lambda head: rank(fewest.get(head.id, _ALL), head.shoot, head.id))
