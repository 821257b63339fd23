"""What a person means by a word: a place, a shoot, a roll, or a path."""

import os.path
from collections.abc import Iterable
from dataclasses import dataclass

from backupkeeper.actions.context import Context
from backupkeeper.actions.online import OnlineDrive, online_drives, place_holding, relative_to
from backupkeeper.core.errors import UsageError
from backupkeeper.core.model import Blake3, Fact, PlaceId, Result, RollHead, RollId
from backupkeeper.core.typed import typed


@dataclass(frozen=True, kw_only=True, slots=True)
class Selection:
    """Rolls, perhaps at one place only, perhaps only what is at or below one path of it."""

    rolls: tuple[RollId, ...]
    place: PlaceId | None = None
    path: str | None = None

    def covers(self, path: str) -> bool:
        """Whether a path of a place is meant."""
        return self.path is None or path == self.path or path.startswith(f"{self.path}/")

    def covers_any(self, paths: Iterable[str]) -> bool:
        """Whether one of these is meant."""
        return any(map(self.covers, paths))


def resolve(context: Context, what: str | None) -> Selection:
    """Find out what is meant; a place's name first, then a shoot, a roll, a path.

    A roll is named by its folder, or by as much of its end as is needed to tell it from others
    (``Wide/Roll 01``, ``260612 Boatyard/Wide/Roll 01``); a file by its roll's folder or by shoot, source
    and roll, and its path below. What somebody moved is named, too, by where it lies now on a place.

    Raises:
        UsageError: nothing, or more than one roll, answers to it.
    """
    heads = context.catalog.rolls()
    every = tuple(head.id for head in heads)
    if what is None:
        return Selection(rolls=every)
    for place in context.catalog.places():
        if place.name.casefold() == what.casefold():
            return Selection(rolls=every, place=place.id)
    of_shoot = tuple(head.id for head in heads if head.shoot == what)
    if of_shoot:
        return Selection(rolls=of_shoot)
    if os.path.isabs(what):
        return _by_path(context, what, heads)
    return _by_name(context, what, heads)


def _by_name(context: Context, what: str, heads: tuple[RollHead, ...]) -> Selection:
    found = [head for head in heads if _is_called(head, what)]
    if len(found) == 1:
        return Selection(rolls=(found[0].id,))
    if found:
        names = "; ".join(head.folder for head in found)
        raise UsageError(f"{what} may mean any of these rolls: {names}.", advice="Name more of it.")
    inside = [head for head in heads if what.startswith(f"{head.folder}/")]
    if inside:
        return Selection(rolls=tuple(head.id for head in inside), path=what.rstrip("/"))
    shorts = {head: f"{head.shoot}/{head.source}/{head.name}/" for head in heads}
    short = [head for head in heads if what.startswith(shorts[head])]
    if len(short) == 1:
        (head,) = short
        below = what.removeprefix(shorts[head]).rstrip("/")
        return Selection(rolls=(head.id,), path=f"{head.folder}/{below}")
    moved = _moved_to(context, what.strip("/"))
    if moved is not None:
        return moved
    raise UsageError(
        f"No place, shoot, roll or file is called {what}.",
        advice="backupkeeper place list and backupkeeper gaps show what there is; a file is named by its "
        "roll and its path in it.",
    )


def find_roll(context: Context, what: str) -> RollHead:
    """The one roll that answers to a name.

    Raises:
        UsageError: none, or more than one, does.
    """
    found = [head for head in context.catalog.rolls() if _is_called(head, what)]
    if len(found) == 1:
        return found[0]
    names = "; ".join(head.folder for head in found)
    raise UsageError(
        f"{what} may mean any of these rolls: {names}." if found else f"No roll is called {what}.",
        advice="Name it by its folder, as backupkeeper gaps shows it.",
    )


def _is_called(head: RollHead, what: str) -> bool:
    words = what.strip("/").split("/")
    short = [head.shoot, head.source, head.name]
    folder = head.folder.split("/")
    return what == head.id or words in (short[-len(words) :], folder[-len(words) :])


def _by_path(context: Context, path: str, heads: tuple[RollHead, ...]) -> Selection:
    drives, _ = online_drives(context)
    drive = place_holding(drives, path)
    if drive is None:
        raise UsageError(f"{path} lies on no place that is here.")
    inner = relative_to(drive, path)
    if not inner:
        return Selection(rolls=tuple(head.id for head in heads), place=drive.place.id)
    rolls = tuple(
        head.id
        for head in heads
        if (head.folder + "/").startswith(inner + "/") or inner.startswith(head.folder + "/")
    )
    if not rolls:
        return Selection(rolls=_lying_at(context, drive, inner), place=drive.place.id, path=inner)
    is_file = any(inner.startswith(head.folder + "/") for head in heads)
    return Selection(rolls=rolls, place=drive.place.id, path=inner if is_file else None)


def _moved_to(context: Context, path: str) -> Selection | None:
    """What somebody moved to a folder (or a file) of this name, at the first place that has it."""
    for place in context.catalog.places():
        found = context.catalog.rolls_with(_there(context, place.id, path)) if path else ()
        if found:
            heads = context.catalog.rolls()
            rolls = tuple(head.id for head in heads if head.id in found)
            return Selection(rolls=rolls, place=place.id, path=path)
    return None


def _there(context: Context, place: PlaceId, path: str) -> frozenset[Blake3]:
    """Contents that lie at or below a path of a place, by what is known last."""
    newest: dict[tuple[str, Blake3], Fact] = {}
    for fact in context.catalog.facts_at(place, below=path):
        known = newest.get((fact.path, fact.content))
        if known is None or known.at <= fact.at:
            newest[fact.path, fact.content] = fact
    return frozenset(
        content for (_, content), fact in newest.items() if fact.result is not Result.MISSING
    )


def _lying_at(context: Context, drive: OnlineDrive, inner: str) -> tuple[RollId, ...]:
    """Rolls of which something lies at or below a path outside of their own folders."""
    found = context.catalog.rolls_with(_there(context, drive.place.id, inner))
    if not found:
        raise UsageError(
            f"No roll is at or around {drive.absolute(inner)}.",
            advice=f"Where you moved it there by hand: backupkeeper verify {typed(drive.place.name)} finds it.",
        )
    return tuple(head.id for head in context.catalog.rolls() if head.id in found)
