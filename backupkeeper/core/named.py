"""A thing among others by what a person typed, and what they may have meant. Pure."""

import difflib
from collections.abc import Sequence

from backupkeeper.core.errors import UsageError
from backupkeeper.core.model import Place


def place_named(places: Sequence[Place], name: str) -> Place:
    """The place of that name, whatever case it was typed in.

    Raises:
        UsageError: there is none; the sentence names the one that may be meant.
    """
    folded = {place.name.casefold(): place for place in reversed(places)}
    exact = next((place for place in places if place.name == name), None)
    found = exact or folded.get(name.casefold())
    if found is not None:
        return found
    near = difflib.get_close_matches(name[:200].casefold(), folded, n=1)
    known = ", ".join(place.name for place in places) or "none yet"
    raise UsageError(
        f"No place is called {name}.",
        advice=f"Did you mean {folded[near[0]].name}?" if near else f"There are: {known}.",
    )
