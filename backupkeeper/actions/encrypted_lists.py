"""Lists that go with a roll whose files stand encrypted: what can be checked without a key, and read with.

Promises:
1. ``ROLL.b3``, readable: BLAKE3 of every object as it stands there, in the form that general checksum
   tools take, checked from the top of the bucket's prefix; by the keys that the objects have there.
2. ``ROLL.json``, encrypted like the files: each file's path, size, time and digests, and its object. It
   and a key are enough to bring everything back with any program that knows the format age.
"""

import json
from typing import Final

from backupkeeper.actions.context import Context
from backupkeeper.actions.encrypting_bucket import OWN, EncryptingBucket
from backupkeeper.cloud.keys import key_of
from backupkeeper.core.age import Encrypted
from backupkeeper.core.fitting import fit_names
from backupkeeper.core.model import Content, Place, Roll, RollFile
from backupkeeper.core.naming import POSIX
from backupkeeper.manifests.checksum_list import write_list

FOLDER: Final = f"{OWN}encrypted"


def send_lists(context: Context, bucket: EncryptingBucket, place: Place, roll: Roll) -> None:
    """Put both lists of a roll into a bucket, over those of before; nothing where nothing is encrypted.

    Raises:
        BackupkeeperError: the store could not be asked, or does not take them.
    """
    names = fit_names([*(file.path for file in roll.files), *roll.folders], POSIX)
    contents = context.catalog.contents(file.content for file in roll.files)
    stands: list[tuple[RollFile, Content, Encrypted | None, str]] = []
    for file in roll.files:
        path = f"{roll.head.folder}/{names[file.path]}"
        rows = context.catalog.encrypted_at(place.id, path)
        now = next((row for row in rows if row.content == file.content), None)
        stands.append((file, contents[file.content], now, path))
    if all(now is None for _, _, now, _ in stands):
        return
    objects = [
        (now.made.blake3, key_of(now.key)) if now is not None else (file.content, key_of(path))
        for file, _, now, path in stands
    ]
    bucket.inner.send_small(f"{FOLDER}/{roll.head.id}.b3", write_list(objects), replace=True)
    told = {
        "version": 1,
        "roll": roll.head.id,
        "folder": roll.head.folder,
        "folders": list(roll.folders),
        "files": [
            {
                "path": path.removeprefix(f"{roll.head.folder}/"),
                "size": file.size,
                "mtime_ns": file.mtime_ns,
                "blake3": file.content,
                "xxh128": content.xxh128,
                "object": key_of(now.key if now is not None else path),
                "object_blake3": now.made.blake3 if now is not None else file.content,
                "encrypted": now is not None,
            }
            for file, content, now, path in stands
        ],
    }
    data = json.dumps(told, indent=1).encode("ascii")
    bucket.send_small(f"{FOLDER}/{roll.head.id}.json", data, replace=True)
