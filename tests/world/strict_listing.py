"""Listings of the strict store: objects (version 2 of the call) and versions, in pages."""

from base64 import b64decode
from collections.abc import Callable
from urllib.parse import quote

from tests.world.strict_rules import Version, World
from tests.world.strict_talk import Answer, Asked, RefusedError, document, tag, text, token_of

_STAMP = "%Y-%m-%dT%H:%M:%S.000Z"


def _written(asked: Asked) -> Callable[[str], str]:
    """How keys are written (STANDARDS section 7.8: ``EncodingType=url``)."""
    if asked.query.get("encoding-type") == "url":
        return lambda key: quote(key, safe="-_.~/")
    return lambda key: key


def _entry(key: str, version: Version, *more: str) -> list[str]:
    return [
        text("Key", key),
        *more,
        text("LastModified", version.modified.strftime(_STAMP)),
        text("ETag", version.quoted),
        text("Size", len(version.data or b"")),
        text("StorageClass", version.metadata.get("x-amz-storage-class", "STANDARD")),
    ]


def list_objects(world: World, asked: Asked) -> Answer:
    """ListObjectsV2: in byte order of keys, ``Prefix``, ``Delimiter``, pages (section 7.1)."""
    bucket, written = world.bucket(asked.bucket), _written(asked)
    prefix = asked.query.get("prefix", "")
    most = min(int(asked.query.get("max-keys", world.rules.page)), world.rules.page)
    after = _begins_after(asked)
    shown: dict[str, str] = {}
    for key in sorted(bucket.objects, key=str.encode):
        version = bucket.newest(key)
        mark = _mark(key, prefix, asked.query.get("delimiter", ""))
        if version is None or not key.startswith(prefix) or mark.encode() <= after.encode():
            continue
        if mark == key:
            shown[mark] = tag("Contents", *_entry(written(key), version))
        else:
            shown[mark] = tag("CommonPrefixes", text("Prefix", written(mark)))
    marks = list(shown)[:most]
    is_cut = len(shown) > most
    head = [
        text("Name", bucket.name),
        text("Prefix", written(prefix)),
        text("MaxKeys", most),
        text("KeyCount", len(marks)),
        text("IsTruncated", "true" if is_cut else "false"),
    ]
    if "encoding-type" in asked.query:
        head.append(text("EncodingType", asked.query["encoding-type"]))
    if is_cut:
        head.append(text("NextContinuationToken", token_of(marks[-1] if marks else "")))
    return document(tag("ListBucketResult", *head, *(shown[mark] for mark in marks)))


def _begins_after(asked: Asked) -> str:
    token = asked.query.get("continuation-token")
    if token is None:
        return asked.query.get("start-after", "")
    try:
        return b64decode(token, validate=True).decode()
    except ValueError as error:
        raise RefusedError(400, "InvalidArgument", "continuation token") from error


def _mark(key: str, prefix: str, delimiter: str) -> str:
    """The key, or the common prefix that it is rolled up into."""
    rest = key.removeprefix(prefix)
    if not delimiter or delimiter not in rest:
        return key
    return prefix + rest.partition(delimiter)[0] + delimiter


def list_versions(world: World, asked: Asked) -> Answer:
    """ListObjectVersions: by key, the newest first, delete markers among them; in pages."""
    bucket, written = world.bucket(asked.bucket), _written(asked)
    prefix = asked.query.get("prefix", "")
    most = min(int(asked.query.get("max-keys", world.rules.page)), world.rules.page)
    every = [
        (key, version, version is versions[-1])
        for key, versions in sorted(bucket.objects.items(), key=lambda item: item[0].encode())
        if key.startswith(prefix)
        for version in reversed(versions)
    ]
    mark = (asked.query.get("key-marker", ""), asked.query.get("version-id-marker", ""))
    if mark != ("", ""):
        places = [at for at, (key, one, _) in enumerate(every) if (key, one.id) == mark]
        later = [at for at, (key, _, _) in enumerate(every) if key.encode() > mark[0].encode()]
        start = places[0] + 1 if places else (later[0] if later else len(every))
        every = every[start:]
    shown, is_cut = every[:most], len(every) > most
    told = [
        text("Name", bucket.name),
        text("Prefix", written(prefix)),
        text("MaxKeys", most),
        text("IsTruncated", "true" if is_cut else "false"),
    ]
    if "encoding-type" in asked.query:
        told.append(text("EncodingType", asked.query["encoding-type"]))
    if is_cut:
        told += [
            text("NextKeyMarker", written(shown[-1][0])),
            text("NextVersionIdMarker", shown[-1][1].id),
        ]
    for key, version, is_latest in shown:
        named = [text("VersionId", version.id), text("IsLatest", "true" if is_latest else "false")]
        if version.data is None:
            stamp = text("LastModified", version.modified.strftime(_STAMP))
            told.append(tag("DeleteMarker", text("Key", written(key)), *named, stamp))
        else:
            told.append(tag("Version", *_entry(written(key), version, *named)))
    return document(tag("ListVersionsResult", *told))
