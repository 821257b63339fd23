"""Uploads under way in the catalog: each function runs on a connection that its caller holds."""

import sqlite3
from typing import Final

from backupkeeper.catalog import rows, writing
from backupkeeper.core.model import PlaceId
from backupkeeper.core.uploads import Begun

_PUT: Final = """
INSERT INTO uploads_under_way
    (place, path, content, upload, part_bytes, extra_check, enforced, ticket, begun_at)
VALUES ((SELECT no FROM place_ids WHERE id = ?), ?,
        (SELECT no FROM content_ids WHERE blake3 = ?), ?, ?, ?, ?, ?, ?)
ON CONFLICT DO NOTHING
"""
_OF: Final = """
SELECT u.path, c.blake3, u.upload, u.part_bytes, u.extra_check, u.enforced, u.ticket, u.begun_at
FROM uploads_under_way u JOIN place_ids p ON p.no = u.place JOIN content_ids c ON c.no = u.content
WHERE p.id = ? ORDER BY u.begun_at, u.path, u.upload
"""
_END: Final = """
DELETE FROM uploads_under_way
WHERE place = (SELECT no FROM place_ids WHERE id = ?) AND path = ? AND upload = ?
"""


def put(connection: sqlite3.Connection, place: PlaceId, begun: Begun) -> None:
    """Remember an upload."""
    content = rows.blake3(begun.content)
    writing.name(connection, place, content)
    connection.execute(
        _PUT,
        (
            place,
            rows.path_bytes(begun.key),
            content,
            rows.words(begun.upload),
            begun.part_bytes,
            begun.check,
            " ".join(begun.enforced),
            begun.ticket,
            rows.micros(begun.begun_at),
        ),
    )


def of_place(connection: sqlite3.Connection, place: PlaceId) -> tuple[Begun, ...]:
    """Those at a place, oldest first."""
    return tuple(
        Begun(
            key=rows.path_from(path),
            content=rows.name_from(content),
            upload=rows.unwords(upload),
            part_bytes=part_bytes,
            check=check,
            enforced=tuple(enforced.split()),
            ticket=ticket,
            begun_at=rows.moment(begun_at),
        )
        for path, content, upload, part_bytes, check, enforced, ticket, begun_at in (
            connection.execute(_OF, (place,))
        )
    )


def end(connection: sqlite3.Connection, place: PlaceId, begun: Begun) -> None:
    """Forget an upload; one that is not known is no error."""
    connection.execute(_END, (place, rows.path_bytes(begun.key), rows.words(begun.upload)))
