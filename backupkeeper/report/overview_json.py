r"""The report as one object, for programs. Version 1; keys only ever get added within it.

``rolls``, ``summary``, ``unfinished`` and ``snapshots`` are those of ``gaps --json`` (``report.gaps``).
Beside them: ``at``, ``answer`` (the sentence), ``worry`` (``none``, ``soon``, ``now``), ``steps`` (most
urgent first: ``words``, ``command``, ``rolls``, ``worry``), ``drives``, ``buckets``, ``damage`` (newest
first), ``drills`` (newest first), ``drill_due``, ``proof_ages`` (copies by role and age in days:
``from`` null means that no proof of them counts, ``to`` null the oldest), ``levels`` (bytes that had
come together by a time), ``daemon`` (``status --json``; null: none runs, or ``daemon_unheard`` says why
it is not known), ``next_report_at``, ``notes``.
Times are ISO 8601 in UTC, sizes bytes; null is what is not known, or does not apply.
"""

from backupkeeper.core.arrival import Arrival
from backupkeeper.core.overview import BucketLine, DriveLine, Filling, Harm, Overview
from backupkeeper.core.trends import Advice
from backupkeeper.report.costs import bucket_json
from backupkeeper.report.gaps import gaps_json
from backupkeeper.report.overview_words import answer
from backupkeeper.report.status import status_json
from backupkeeper.report.verdict import Json, stamp


def overview_json(overview: Overview) -> Json:
    """The report as one object."""
    return {
        **gaps_json(overview.gaps),
        "at": stamp(overview.at),
        "answer": answer(overview),
        "worry": overview.worry.value,
        "steps": [
            {
                "words": step.words,
                "command": step.command,
                "rolls": step.rolls,
                "worry": step.worry.value,
            }
            for step in overview.steps
        ],
        "drives": [_drive(line) for line in overview.drives],
        "buckets": [_bucket(line) for line in overview.buckets],
        "damage": [_harm(one) for one in overview.harms],
        "drills": [
            {
                "at": stamp(one.at),
                "shoot": one.shoot,
                "from": one.place,
                "result": one.result.value,
                "files": one.files,
                "bytes": one.size_bytes,
            }
            for one in overview.drills
        ],
        "drill_due": overview.drill_due,
        "proof_ages": [
            {
                "role": one.role.value,
                "from": one.days_from,
                "to": one.days_to,
                "files": one.files,
                "bytes": one.size_bytes,
            }
            for one in overview.proof_ages
        ],
        "levels": [
            {
                "at": stamp(one.at),
                "taken": one.taken_bytes,
                "proven": {role.value: count for role, count in one.proven_bytes.items()},
            }
            for one in overview.levels
        ],
        "daemon": None if overview.status is None else status_json(overview.status),
        "daemon_unheard": overview.unheard,
        "next_report_at": stamp(overview.next_at),
        "notes": list(overview.notes),
    }


def _drive(line: DriveLine) -> Json:
    place = line.place
    return {
        "name": place.name,
        "role": place.role.value,
        "kind": place.kind.value,
        "standing": place.standing.value,
        "location": place.location,
        "here": line.is_here,
        "files": line.held_files,
        "bytes": line.held_bytes,
        "size_bytes": place.size_bytes,
        "free_bytes": line.free_bytes,
        "free_at": stamp(line.free_at),
        "last_seen": stamp(line.last_seen),
        "last_proven": stamp(line.last_proven),
        "oldest_proof": stamp(line.oldest_proof),
        "in_doubt": line.in_doubt,
        "without_marker": line.is_bare,
        "advice": _advice(line.advice),
        "filling": _filling(line.filling),
        "snapshot_at": stamp(line.snapshot_at),
    }


def _advice(one: Advice | None) -> Json | None:
    return None if one is None else {"level": one.level.value, "reasons": list(one.reasons)}


def _filling(one: Filling) -> Json:
    return {
        "shoots_left": None if one.shoots_left is None else round(one.shoots_left, 1),
        "earliest": stamp(one.earliest),
        "latest": stamp(one.latest),
        "why": one.why,
    }


def _bucket(line: BucketLine) -> Json:
    place = line.place
    return {
        "name": place.name,
        "role": place.role.value,
        "standing": place.standing.value,
        "location": place.location,
        "files": line.held_files,
        "bytes": line.held_bytes,
        "checked_at": stamp(line.checked_at),
        "last_proven": stamp(line.last_proven),
        "oldest_proof": stamp(line.oldest_proof),
        "fetched_files": line.fetched_files,
        "arrival": _arrival(line.arrival),
        "cost": None if line.cost is None else bucket_json(line.cost),
        "snapshot_at": stamp(line.snapshot_at),
    }


def _arrival(one: Arrival | None) -> Json | None:
    if one is None:
        return None
    return {
        "to_go": one.to_go,
        "earliest": stamp(one.earliest),
        "latest": stamp(one.latest),
        "why": one.why,
    }


def _harm(one: Harm) -> Json:
    return {
        "place": one.place,
        "folder": one.folder,
        "path": one.path,
        "content": one.content,
        "result": one.result.value,
        "found_at": stamp(one.found_at),
        "mended_at": stamp(one.mended_at),
        "bytes": one.size_bytes,
        "hurt_bytes": one.hurt_bytes,
        "note": one.note,
    }
