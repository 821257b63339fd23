r"""What every command tells a program: one JSON object each, with ``"version": 1``.

Promises:
1. Keys only ever get added within a version. Times are ISO 8601 in UTC, sizes are bytes, digests
   lower-case hex; what is not known is null.
2. Text is ASCII; a byte of a path that is not UTF-8 is a lone surrogate, ``\udc80`` to ``\udcff``
   (PEP 383).

The objects of ``may-wipe`` and ``gaps`` stand in ``report.verdict`` and ``report.gaps``.
"""

import json
import re
from collections.abc import Mapping, Sequence

from backupkeeper.core.errors import BackupkeeperError, ConfigError
from backupkeeper.core.model import Place
from backupkeeper.core.outcomes import (
    Checked,
    MirrorOutcome,
    OffloadOutcome,
    PlaceReport,
    Trouble,
    UploadOutcome,
    VerifyOutcome,
)
from backupkeeper.report.clips import clip_json
from backupkeeper.report.moving import moved_json
from backupkeeper.report.verdict import Json, stamp


def as_text(told: Json) -> str:
    """One object as text, with a line end."""
    return json.dumps(told, ensure_ascii=True, indent=2) + "\n"


def offload_json(outcome: OffloadOutcome) -> Json:
    """``roll`` is null where the card held nothing new or the offload was not finished."""
    roll = outcome.roll
    return {
        "version": 1,
        "card": outcome.card,
        "finished": outcome.sealed,
        "folder": outcome.folder,
        "roll": None
        if roll is None
        else {
            "id": roll.id,
            "shoot": roll.shoot,
            "source": roll.source,
            "roll": roll.name,
            "folder": roll.folder,
            "files": roll.file_count,
            "bytes": roll.size_bytes,
            "sealed_at": stamp(roll.sealed_at),
        },
        "new_files": outcome.new_files,
        "new_bytes": outcome.new_bytes,
        "known_files": outcome.known_files,
        "resumed_files": outcome.resumed_files,
        "places": [
            {
                "place": place,
                "proven_files": outcome.proven_at.get(place, 0),
                "not_cold": outcome.not_cold.get(place),
            }
            for place in outcome.places
        ],
        "left_out": _pairs(outcome.left_out, "path", "why"),
        "not_copied": _pairs(outcome.specials, "path", "why"),
        "renamed": _pairs(outcome.renamed, "path", "became"),
        "warnings": list(outcome.warnings),
        "manifests_not_written": list(outcome.unwritten),
        "troubles": _troubles(outcome.troubles),
        "seconds": round(outcome.seconds, 3),
    }


def mirror_json(outcome: MirrorOutcome) -> Json:
    """``rolls`` are those that are whole and proven at a place now."""
    return {
        "version": 1,
        "copied_files": outcome.copied_files,
        "copied_bytes": outcome.copied_bytes,
        "rolls": _pairs(outcome.rolls, "folder", "place"),
        "not_cold": dict(outcome.not_cold),
        "moved": moved_json(outcome.moved),
        "waiting": list(outcome.waiting),
        "troubles": _troubles(outcome.troubles),
    }


def upload_json(outcomes: Sequence[UploadOutcome]) -> Json:
    """One entry for each bucket; ``fetched_back`` says why everything was downloaded, or null.

    ``listed`` counts rolls of which nothing but the manifest was lacking.
    """
    return {
        "version": 1,
        "buckets": [
            {
                "place": one.bucket,
                "sent_files": one.sent_files,
                "sent_bytes": one.sent_bytes,
                "looked_at": one.looked_at,
                "listed": one.listed,
                "fetched_back": one.fetched_back,
                "warnings": list(one.warnings),
                "waiting": list(one.waiting),
                "troubles": _troubles(one.troubles),
            }
            for one in outcomes
        ],
    }


def verify_json(outcome: VerifyOutcome) -> Json:
    """``findings`` are all copies that do not plainly match; ``damage`` are half-open byte ranges."""
    return {
        "version": 1,
        "what": outcome.what,
        "all_well": outcome.all_well,
        "matching_files": outcome.matching_files,
        "matching_bytes": outcome.matching_bytes,
        "not_cold": dict(outcome.not_cold),
        "moved": moved_json(outcome.moved),
        "findings": [_checked(one) for one in outcome.checked],
        "manifests": list(outcome.manifests),
        "manifest_faults": _troubles(outcome.manifest_faults),
        "troubles": _troubles(outcome.troubles),
        "skipped": list(outcome.skipped),
        "seconds": round(outcome.seconds, 3),
    }


def _checked(one: Checked) -> Json:
    return {
        "place": one.place,
        "path": one.path,
        "finding": one.finding.value,
        "size": one.size,
        "cold": one.cold,
        "evidence": one.evidence,
        "damage": [list(span) for span in one.damage],
        "note": one.note,
        "clip": clip_json(one.clip) if one.clip is not None else None,
    }


def places_json(places: Sequence[PlaceReport]) -> Json:
    """Every place with what can be seen of it now."""
    return {
        "version": 1,
        "places": [
            {
                **place_json(one.place),
                "connected": one.connected,
                "files": one.files_held,
                "bytes": one.bytes_held,
                "free_bytes": one.free_bytes,
                "note": one.note,
            }
            for one in places
        ],
    }


def added_json(place: Place) -> Json:
    """The place that was taken in."""
    return {"version": 1, "place": place_json(place)}


def place_json(place: Place) -> dict[str, object]:
    """What is known of a place itself."""
    return {
        "id": place.id,
        "name": place.name,
        "role": place.role.value,
        "kind": place.kind.value,
        "standing": place.standing.value,
        "location": place.location,
        "created_at": stamp(place.created_at),
        "fs_uuid": place.fs_uuid,
        "label": place.label,
        "size_bytes": place.size_bytes,
        "device": place.device,
        "spins": place.spins,
        "endpoint": place.endpoint,
        "profile": place.profile,
    }


def error_json(error: BackupkeeperError) -> Json:
    """What went wrong; ``faults`` only for a configuration."""
    told: dict[str, object] = {
        "code": code_of(error),
        "message": error.message,
        "advice": error.advice,
        "exit_code": error.exit_code,
    }
    if isinstance(error, ConfigError):
        told["faults"] = [
            {"file": error.file, "key": one.key, "value": one.value, "wanted": one.wanted}
            for one in error.faults
        ]
    return {"version": 1, "error": told}


def code_of(error: BackupkeeperError) -> str:
    """``DriveGoneError`` is ``drive-gone``."""
    name = type(error).__name__.removesuffix("Error")
    return re.sub(r"(?<=[a-z])(?=[A-Z])", "-", name).lower()


def _pairs(pairs: Sequence[tuple[str, str]], one: str, other: str) -> list[Mapping[str, str]]:
    return [{one: first, other: second} for first, second in pairs]


def _troubles(troubles: Sequence[Trouble]) -> list[Mapping[str, str]]:
    return [{"place": one.place, "path": one.path, "message": one.message} for one in troubles]
