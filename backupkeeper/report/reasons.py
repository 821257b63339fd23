"""Each reason against a wipe, in words, with what to do about it.

Promise: every ``ReasonCode`` has its own sentence and its own advice; the type checker holds it.
"""

from dataclasses import dataclass
from typing import assert_never

from backupkeeper.core.forming import Against
from backupkeeper.core.model import Role
from backupkeeper.core.outcomes import Reason, ReasonCode
from backupkeeper.core.typed import typed
from backupkeeper.report.words import plural, shown, told


@dataclass(frozen=True, kw_only=True, slots=True)
class Told:
    """A reason in words: what is the case, what to do, and the command to type (or none)."""

    message: str
    advice: str
    command: str = ""


def where(role: Role | None) -> str:
    """``on a primary drive``, ``in the cloud``."""
    match role:
        case Role.PRIMARY | Role.SECONDARY:
            return f"on a {role} drive"
        case Role.CLOUD:
            return "in the cloud"
        case None:
            return "anywhere"
        case _:  # pragma: no cover
            assert_never(role)


def bring(role: Role | None) -> tuple[str, str]:
    """What brings copies into a role: advice and command."""
    match role:
        case Role.CLOUD:
            return "Bring them there:", "backupkeeper upload"
        case Role.PRIMARY | Role.SECONDARY:
            return f"Have a {role} drive plugged in, and bring them there:", "backupkeeper mirror"
        case None:
            return "Bring them to a place:", "backupkeeper mirror"
        case _:  # pragma: no cover
            assert_never(role)


def prove(role: Role | None, place: str | None) -> tuple[str, str]:
    """What proves copies that are there: advice and command."""
    if role is Role.CLOUD:
        return "Let the bucket be looked at again, or fetched back:", "backupkeeper upload"
    command = f"backupkeeper verify {typed(place)}" if place else "backupkeeper verify"
    return "Plug the drive in and read them again:", command


def in_words(reason: Reason, *, card: str, place: str | None = None) -> Told:
    """Say a reason.

    Args:
        reason: what stands against.
        card: path of the card, for the command.
        place: name of the one place that the copies are at, where there is just one.
    """
    number = len(reason.paths)
    advice, command = _advice(reason.code, reason.role, card, place)
    return Told(
        message=_message(reason.code, reason.role, number, told(reason.detail)),
        advice=advice,
        command=command,
    )


MOST_NAMED = 3


def in_one(reason: Reason, *, card: str) -> str:
    """A reason on one line: what is the case, of which files, and what to do."""
    known = in_words(reason, card=card)
    named = [shown(path) for path in reason.paths[:MOST_NAMED] if path]
    if len(reason.paths) > MOST_NAMED:
        named.append(f"and {len(reason.paths) - MOST_NAMED:,} more")
    files = f" ({', '.join(named)})" if named else ""
    parts = (f"{known.message}{files}", known.advice, known.command)
    return " ".join(part for part in parts if part)


def against(one: Against) -> str:
    """What speaks against a file of a card that is being read."""
    if one.error:
        return f"{shown(one.path)} could not be read: {told(one.error)}"
    if not one.lacks:
        return f"{shown(one.path)} lies in no finished roll."
    return f"{shown(one.path)} has no proof that counts in: {', '.join(one.lacks)}."


def _message(  # noqa: C901, PLR0911, PLR0912 - one branch for each code
    code: ReasonCode, role: Role | None, number: int, detail: str
) -> str:
    files = plural(number, "file")
    has, is_, was = ("has", "is", "was") if number == 1 else ("have", "are", "were")
    there = where(role)
    match code:
        case ReasonCode.NOTHING_TO_JUDGE:
            return "There is no file on the card, so there is nothing to judge."
        case ReasonCode.NO_ROLE_ASKED:
            return "The configuration asks for no role, so nothing can be shown."
        case ReasonCode.CARD_UNREADABLE:
            return f"{files} on the card could not be read{f': {detail}' if detail else '.'}"
        case ReasonCode.NOT_A_FILE:
            what = plural(number, "entry", "entries")
            return f"{what} {is_} no plain file and {was} not copied{f': {detail}' * bool(detail)}."
        case ReasonCode.NEVER_OFFLOADED:
            return f"{files} {was} never offloaded."
        case ReasonCode.OFFLOAD_UNFINISHED:
            return f"{files} {was} offloaded, but that offload was not finished."
        case ReasonCode.NO_COPY:
            return f"{files} {has} no copy {there}."
        case ReasonCode.NOT_PROVEN:
            return f"{files} {was} written {there}, but not proven there since."
        case ReasonCode.PROOF_TOO_OLD:
            return f"{files} {has} a proof {there} that is too old to count."
        case ReasonCode.DAMAGED:
            return f"{files} {is_} damaged {there}."
        case ReasonCode.MISSING:
            return f"{files} {was} {there} once and {is_} missing now."
        case ReasonCode.OUT_OF_REACH:
            return f"{files} {there} {is_} out of reach: the place is lost or retired."
        case ReasonCode.SAME_DEVICE:
            return (
                f"{files} {has} a proven copy {there}, but not on a physical device of its own "
                "(or which device it is can't be told)."
            )
        case _:  # pragma: no cover
            assert_never(code)


def _advice(  # noqa: C901, PLR0911, PLR0912 - one branch for each code
    code: ReasonCode, role: Role | None, card: str, place: str | None
) -> tuple[str, str]:
    match code:
        case ReasonCode.NOTHING_TO_JUDGE:
            return "Is this the right card, and is it mounted?", ""
        case ReasonCode.NO_ROLE_ASKED:
            return "Name at least one role in [policy] wipe_needs of the configuration.", ""
        case ReasonCode.CARD_UNREADABLE:
            return "Try another reader or port, and keep the card until it could be read.", ""
        case ReasonCode.NOT_A_FILE:
            return "Look at what it is: wiping the card would lose it.", ""
        case ReasonCode.NEVER_OFFLOADED:
            return "Offload the card:", (
                f'backupkeeper offload {typed(card)} --shoot "YYMMDD Name" --source NAME'
            )
        case ReasonCode.OFFLOAD_UNFINISHED:
            return "Repeat the same offload: it goes on where it stopped.", ""
        case ReasonCode.NO_COPY | ReasonCode.MISSING:
            return bring(role)
        case ReasonCode.NOT_PROVEN | ReasonCode.PROOF_TOO_OLD:
            return prove(role, place)
        case ReasonCode.DAMAGED:
            return (
                "Keep the card, and have the damaged copy mended from another one:",
                f"backupkeeper repair {typed(place)}" if place else "backupkeeper repair",
            )
        case ReasonCode.OUT_OF_REACH:
            text = "Take in another place of this role with 'backupkeeper place add', then:"
            return text, bring(role)[1]
        case ReasonCode.SAME_DEVICE:
            return (
                (
                    "Bring a copy to another device: one fall breaks both. 'backupkeeper place list' "
                    "names the places that share one."
                ),
                "",
            )
        case _:  # pragma: no cover
            assert_never(code)
