"""A verdict as it forms, file by file, for whoever watches a card being read."""

from collections.abc import Callable

from backupkeeper.actions.context import Context
from backupkeeper.core.forming import Forming, with_file
from backupkeeper.core.model import CardFile, Role
from backupkeeper.core.policy import copies_of, filled_roles


class Watching:
    """Takes in each file as it was read, and says what is known by then.

    Args:
        context: whose catalog and policy count.
        device: the card's own, on which no copy counts; None: not known.
        on_change: told after each file.
    """

    def __init__(
        self, context: Context, *, device: str | None, on_change: Callable[[Forming], None]
    ) -> None:
        self._context = context
        self._device = device
        self._on_change = on_change
        self._forming = Forming()

    def __call__(self, file: CardFile) -> None:
        """A file was read, or could not be."""
        filled: frozenset[Role] = frozenset()
        is_sealed = False
        policy = self._context.config.policy
        if file.content is not None:
            catalog = self._context.catalog
            places = {place.id: place for place in catalog.places()}
            facts = catalog.facts_of([file.content])
            copies = copies_of(facts, places, policy, self._context.clock.now())
            mine = copies.get(file.content, ())
            filled = filled_roles(mine, places, policy.wipe_needs, policy, not_on=self._device)
            is_sealed = bool(catalog.sealed_among([file.content]))
        self._forming = with_file(
            self._forming, file, filled=filled, asked=policy.wipe_needs, is_sealed=is_sealed
        )
        self._on_change(self._forming)
