"""What is said of a place that is simply not plugged in: told from one that is here and can't be used."""

from backupkeeper.core.model import Place


def not_here(place: Place) -> str:
    """The sentence."""
    return f"{place.name} is not here (last seen at {place.location})."
