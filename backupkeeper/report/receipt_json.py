r"""A receipt as one object, and its text: what the page beside it shows, number by number.

Promises:
1. ``{"version": 1, "kind": "receipt", "verdict": "yes" | "no", "at", "card", "reasons", "files_on_card",
   "bytes_on_card", "roles", "places", "rolls", "files": [{"path", "size", "blake3", "xxh128", "copies":
   [{"place", "path", "state", "proof", "at", "evidence"}]}], ...}``. Keys only ever get added within a
   version.
2. Times are ISO 8601 in UTC (``at_local`` has the zone of the person), sizes are bytes, digests
   lower-case hex, what is not known is null. Text is ASCII; a byte of a path that is not UTF-8 is a
   lone surrogate, ``\udc80`` to ``\udcff``.
3. The same receipt gives the same bytes, so their SHA-256 ties the page to them.
"""

import hashlib
from collections.abc import Mapping
from datetime import tzinfo

from backupkeeper.core.model import CopyState, PlaceId, Role
from backupkeeper.core.policy import ALL_ROLES
from backupkeeper.core.receipt import (
    CopyStand,
    ManifestStand,
    PlaceStand,
    ProofSpan,
    Receipt,
    RollStand,
    StatedFile,
)
from backupkeeper.report.objects import as_text
from backupkeeper.report.reasons import in_words
from backupkeeper.report.verdict import Json, stamp

VERSION = 1


def receipt_json(receipt: Receipt, zone: tzinfo) -> Json:
    """The receipt as one object.

    Args:
        receipt: what is stated.
        zone: of the person, for ``at_local``.
    """
    verdict = receipt.verdict
    names = {one.place.id: one.place.name for one in receipt.places}
    return {
        "version": VERSION,
        "kind": "receipt",
        "program": receipt.program,
        "verdict": verdict.answer.value,
        "at": stamp(verdict.at),
        "at_local": verdict.at.astimezone(zone).isoformat(timespec="seconds"),
        "card": verdict.card,
        "label": receipt.label,
        "asked": [role.value for role in verdict.asked],
        "distinct_devices": receipt.distinct_devices,
        "still_missing": {role.value: number for role, number in verdict.still_missing.items()},
        "reasons": [
            {
                "code": reason.code.value,
                "role": None if reason.role is None else reason.role.value,
                "message": in_words(reason, card=verdict.card).message,
                "paths": list(reason.paths),
            }
            for reason in verdict.reasons
        ],
        "files_on_card": len(receipt.files),
        "files_read": receipt.read_files,
        "bytes_on_card": sum(file.size for file in receipt.files),
        "roles": [_role_json(receipt, role) for role in roles_of(receipt)],
        "places": [_place_json(one) for one in receipt.places],
        "rolls": [_roll_json(one, names) for one in receipt.rolls],
        "files": [_file_json(one, names) for one in receipt.files],
        "left_out": [{"path": path, "why": why} for path, why in verdict.left_out],
        "warnings": list(verdict.warnings),
    }


def receipt_text(receipt: Receipt, zone: tzinfo) -> bytes:
    """The object as it stands in the file."""
    return as_text(receipt_json(receipt, zone)).encode("ascii")


def sum_of(data: bytes) -> str:
    """SHA-256 in hex, as ``sha256sum`` prints it: nearly every machine has it."""
    return hashlib.sha256(data).hexdigest()


def roles_of(receipt: Receipt) -> tuple[Role, ...]:
    """Those asked for, then the others."""
    return tuple(dict.fromkeys((*receipt.verdict.asked, *ALL_ROLES)))


def proven_in(receipt: Receipt, role: Role) -> int:
    """How many of the card's files have a copy in state ``proven`` in a role."""
    proofs = (file.roles.get(role) for file in receipt.verdict.files)
    return sum(one is not None and one.state is CopyState.PROVEN for one in proofs)


def fills(receipt: Receipt, role: Role) -> bool:
    """Whether every file of the card has a proof that counts in a role, and nothing speaks against."""
    verdict = receipt.verdict
    if role in verdict.still_missing or any(reason.role is role for reason in verdict.reasons):
        return False
    return bool(receipt.files) and proven_in(receipt, role) == len(receipt.files)


def _role_json(receipt: Receipt, role: Role) -> Json:
    return {
        "role": role.value,
        "asked": role in receipt.verdict.asked,
        "fulfilled": fills(receipt, role),
        "files_proven": proven_in(receipt, role),
    }


def _place_json(stand: PlaceStand) -> Json:
    place = stand.place
    return {
        "id": place.id,
        "name": place.name,
        "role": place.role.value,
        "kind": place.kind.value,
        "standing": place.standing.value,
        "looked_at": stand.looked_at,
        "files_proven": stand.files,
        "bytes_proven": stand.bytes,
        "states": {state.value: number for state, number in stand.states.items()},
        "proofs": [_span_json(span) for span in stand.proofs],
        "samples": None if stand.samples is None else _span_json(stand.samples),
    }


def _span_json(span: ProofSpan) -> Json:
    return {
        "proof": span.way.value,
        "files": span.files,
        "first": stamp(span.first),
        "last": stamp(span.last),
        "evidence": list(span.evidence),
    }


def _roll_json(stand: RollStand, names: Mapping[PlaceId, str]) -> Json:
    head = stand.head
    return {
        "id": head.id,
        "shoot": head.shoot,
        "source": head.source,
        "roll": head.name,
        "folder": head.folder,
        "files": head.file_count,
        "bytes": head.size_bytes,
        "sealed_at": stamp(head.sealed_at),
        "files_of_card": stand.of_card,
        "manifests": [_manifest_json(one, names) for one in stand.manifests],
    }


def _manifest_json(stand: ManifestStand, names: Mapping[PlaceId, str]) -> Json:
    return {
        "place": names.get(stand.place, stand.place),
        "newest": stand.name or None,
        "c4": stand.c4 or None,
        "generations": stand.generations,
        "rooted": stand.rooted or None,
        "roots": [
            {"format": one.format, "content": one.content, "structure": one.structure}
            for one in stand.roots
        ],
        "why_not": stand.why_not or None,
    }


def _file_json(file: StatedFile, names: Mapping[PlaceId, str]) -> Json:
    return {
        "path": file.path,
        "size": file.size,
        "blake3": file.blake3,
        "xxh128": file.xxh128,
        "error": file.error or None,
        "copies": [_copy_json(one, names) for one in file.copies],
    }


def _copy_json(stand: CopyStand, names: Mapping[PlaceId, str]) -> Json:
    return {
        "place": names.get(stand.place, stand.place),
        "path": stand.path,
        "state": stand.state.value,
        "proof": None if stand.way is None else stand.way.value,
        "at": stamp(stand.at),
        "evidence": stand.evidence or None,
        "sampled_at": stamp(stand.sampled_at),
    }
