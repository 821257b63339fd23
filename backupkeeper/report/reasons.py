"""Every reason against wiping a card, in words: what it means and what to do.

Promise: each ``ReasonCode`` has both; a new code that has none does not pass the type checker.
"""

from typing import assert_never

from backupkeeper.core.model import Role
from backupkeeper.core.outcomes import Reason, ReasonCode
from backupkeeper.report.words import plural


def message(reason: Reason) -> str:
    """One sentence: what speaks against wiping. Stable enough to read, not to parse."""
    told = _message(reason)
    return f"{told} ({reason.detail})" if reason.detail else told


def _message(reason: Reason) -> str:  # noqa: C901, PLR0911, PLR0912 - one flat case for each code
    files = plural(len(reason.paths), "file")
    role = _role(reason.role)
    match reason.code:
        case ReasonCode.NOTHING_TO_JUDGE:
            return "There is no file on this card, so nothing can be shown about it."
        case ReasonCode.NO_ROLE_ASKED:
            return "The configuration asks for no role, so a yes would mean nothing."
        case ReasonCode.CARD_UNREADABLE:
            return f"{plural(len(reason.paths), 'entry', 'entries')} of the card can't be read."
        case ReasonCode.NOT_A_FILE:
            entries = plural(len(reason.paths), "entry is", "entries are")
            return f"{entries} no plain file, and can't be kept as one."
        case ReasonCode.NEVER_OFFLOADED:
            return f"{files} never offloaded: this content is on no place."
        case ReasonCode.OFFLOAD_UNFINISHED:
            return f"{files} of an offload that was not finished."
        case ReasonCode.NO_COPY:
            return f"{files} without a copy in the role {role}."
        case ReasonCode.NOT_PROVEN:
            return f"{files} written in the role {role}, but not proven."
        case ReasonCode.PROOF_TOO_OLD:
            return f"{files} whose proof in the role {role} is too old."
        case ReasonCode.DAMAGED:
            return f"{files} damaged in the role {role}."
        case ReasonCode.MISSING:
            return f"{files} missing in the role {role}: there once, and not now."
        case ReasonCode.OUT_OF_REACH:
            return f"{files} whose only place in the role {role} is lost or retired."
        case ReasonCode.SAME_DEVICE:
            return (
                f"{files} proven in the role {role}, but on a physical device that holds the "
                "copy of another role too, or is the card's own."
            )
        case _:
            assert_never(reason.code)


def advice(reason: Reason) -> str:  # noqa: C901, PLR0911, PLR0912 - one flat case for each code
    """What to do about it."""
    cloud = reason.role is Role.CLOUD
    match reason.code:
        case ReasonCode.NOTHING_TO_JUDGE:
            return "Check that this is the card, and that it is mounted."
        case ReasonCode.NO_ROLE_ASKED:
            return 'Name at least one role in the configuration: [policy] wipe_needs = ["primary"].'
        case ReasonCode.CARD_UNREADABLE:
            return "Try another reader, port or cable and ask again. Keep the card if it stays so."
        case ReasonCode.NOT_A_FILE:
            return "Look at what it is. Nothing can be shown about it, so the answer stays no."
        case ReasonCode.NEVER_OFFLOADED:
            return 'Run: backupkeeper offload CARD --shoot "YYMMDD Name" --source NAME'
        case ReasonCode.OFFLOAD_UNFINISHED:
            return "Repeat the offload command: it goes on where it stopped."
        case ReasonCode.NO_COPY:
            if cloud:
                return "Run: backupkeeper upload"
            return f"Plug in a {_role(reason.role)} drive and run: backupkeeper mirror"
        case ReasonCode.NOT_PROVEN:
            if cloud:
                return "Run: backupkeeper upload (it fetches back what is not proven)"
            return "Unplug the drive, plug it in again and run: backupkeeper verify"
        case ReasonCode.PROOF_TOO_OLD:
            if cloud:
                return "Run: backupkeeper upload (it looks at, or fetches back, what is there)"
            return "Plug in the drive and run: backupkeeper verify"
        case ReasonCode.DAMAGED:
            return (
                "Keep this card. It holds good bytes that the damaged copy lacks. "
                "backupkeeper gaps shows which places are whole."
            )
        case ReasonCode.MISSING:
            return f"Run: backupkeeper {'upload' if cloud else 'mirror'}"
        case ReasonCode.OUT_OF_REACH:
            what = "bucket" if cloud else "drive"
            deed = "upload" if cloud else "mirror"
            return f"Take in another {what} (backupkeeper place add), then run: backupkeeper {deed}"
        case ReasonCode.SAME_DEVICE:
            return (
                "Two places on one device are lost together. Use a place on another device, "
                "then run: backupkeeper mirror"
            )
        case _:
            assert_never(reason.code)


def _role(role: Role | None) -> str:
    return role.value if role is not None else "asked for"
