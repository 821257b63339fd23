"""Uploads in parts at the strict store: begin, part, complete, abort, and their listings."""

from itertools import pairwise

from tests.world.strict_checksums import (
    COMPOSITE,
    checksum,
    composite,
    etag_in_parts,
    md5_hex,
    types_of,
)
from tests.world.strict_objects import copied, new_version
from tests.world.strict_rules import (
    Begun,
    Bucket,
    Checksum,
    SentPart,
    World,
    check_condition,
    checked,
    checksum_headers,
    said_checksums,
)
from tests.world.strict_talk import Answer, Asked, RefusedError, document, flat, tag, text

MOST_PARTS = 10_000
_STAMP = "%Y-%m-%dT%H:%M:%S.000Z"


def begin(world: World, asked: Asked) -> Answer:
    """CreateMultipartUpload; the kind of checksum of all parts is settled here (section 7.3)."""
    bucket = world.bucket(asked.bucket)
    named = (asked.header("x-amz-checksum-algorithm") or "").lower()
    if named and named not in world.rules.knows:
        raise RefusedError(400, "InvalidRequest", f"{named} is no checksum algorithm")
    kind = named or None
    allowed = types_of(kind or "crc64nvme")
    wanted = asked.header("x-amz-checksum-type") or allowed[0]
    if wanted not in allowed:  # words of the service: STANDARDS section 7.3
        message = f"The {wanted} checksum type cannot be used with the {kind} checksum algorithm."
        raise RefusedError(400, "InvalidRequest", message)
    new_version(world, bucket, asked, b"")  # a key or metadata too long is refused at once
    upload = Begun(
        id=world.new_id(), key=asked.key, kind=kind, type=wanted, headers=dict(asked.headers)
    )
    bucket.uploads[upload.id] = upload
    headers = (
        {"x-amz-checksum-algorithm": kind.upper(), "x-amz-checksum-type": wanted} if kind else {}
    )
    body = tag(
        "InitiateMultipartUploadResult",
        text("Bucket", bucket.name),
        text("Key", asked.key),
        text("UploadId", upload.id),
    )
    return document(body, headers=headers)


def _upload(bucket: Bucket, asked: Asked) -> Begun:
    upload = bucket.uploads.get(asked.query.get("uploadId", ""))
    if upload is None or upload.key != asked.key:
        raise RefusedError(404, "NoSuchUpload")
    return upload


def _number(asked: Asked) -> int:
    said = asked.query.get("partNumber", "")
    if not said.isdecimal() or not 1 <= int(said) <= MOST_PARTS:
        raise RefusedError(400, "InvalidArgument", "Part number must be from 1 to 10000")
    return int(said)


def put_part(world: World, asked: Asked) -> Answer:
    """UploadPart: a wrong check is refused, and so is one of another kind than was begun with."""
    found = checked(asked, world.rules)
    bucket = world.bucket(asked.bucket)
    upload, number = _upload(bucket, asked), _number(asked)
    if len(asked.body) > world.rules.largest_put:
        raise RefusedError(400, "EntityTooLarge")
    if found is not None and found.kind != (upload.kind or "crc64nvme"):  # from memory
        message = f"Checksum Type mismatch occurred, expected: {upload.kind}, actual: {found.kind}"
        raise RefusedError(400, "InvalidRequest", message)
    part = SentPart(
        data=asked.body, etag=md5_hex(asked.body), checksum=found.value if found else None
    )
    upload.parts[number] = part
    return Answer(headers={"ETag": f'"{part.etag}"'} | checksum_headers(found))


def copy_part(world: World, asked: Asked) -> Answer:
    """UploadPartCopy."""
    bucket = world.bucket(asked.bucket)
    upload, number = _upload(bucket, asked), _number(asked)
    _, data = copied(world, asked)
    value = checksum(upload.kind, data) if upload.kind else None
    part = SentPart(data=data, etag=md5_hex(data), checksum=value)
    upload.parts[number] = part
    stamp = part.modified.strftime(_STAMP)
    body = tag("CopyPartResult", text("ETag", f'"{part.etag}"'), text("LastModified", stamp))
    return document(body)


def abort(world: World, asked: Asked) -> Answer:
    """AbortMultipartUpload."""
    bucket = world.bucket(asked.bucket)
    del bucket.uploads[_upload(bucket, asked).id]
    return Answer(status=204)


def complete(world: World, asked: Asked) -> Answer:
    """CompleteMultipartUpload (STANDARDS sections 7.3, 7.5 and 7.6)."""
    bucket = world.bucket(asked.bucket)
    upload = _upload(bucket, asked)
    if world.rules.errors_inside_complete > 0:
        world.rules.errors_inside_complete -= 1
        refused = RefusedError(200, "InternalError", "We encountered an internal error.").answer()
        # Section 7.6: white space keeps the line awake before what there is to say.
        refused.body = refused.body.replace(b"<Error>", b" " * 64 + b"<Error>")
        return refused
    named = flat(asked.body, "Part")
    parts = _chosen(world, upload, named)
    _check_named(upload, named, parts)
    found = _whole_checksum(world, asked, upload, parts)
    size = sum(len(part.data) for part in parts)
    if (said := asked.header("x-amz-mp-object-size")) is not None and said != str(size):
        raise RefusedError(400, "InvalidRequest", "MpuObjectSize")
    try:
        check_condition(asked, bucket.newest(asked.key), world.rules)
    except RefusedError as error:
        if error.status == 409:  # section 7.5: a new upload, and all parts again
            del bucket.uploads[upload.id]
        raise
    return _made(world, bucket, upload, parts, found)


def _made(
    world: World, bucket: Bucket, upload: Begun, parts: list[SentPart], found: Checksum | None
) -> Answer:
    asked = Asked(method="PUT", bucket="", key=upload.key, query={}, headers=upload.headers)
    version = new_version(world, bucket, asked, b"".join(part.data for part in parts))
    version.etag = etag_in_parts([part.data for part in parts])
    version.parts = tuple(len(part.data) for part in parts)
    version.checksum = found
    bucket.add(upload.key, version)
    del bucket.uploads[upload.id]
    named = {"x-amz-version-id": version.id} if bucket.versioning else {}
    told = []
    if found is not None:
        told = [
            text(f"Checksum{found.kind.upper()}", found.value),
            text("ChecksumType", found.type),
        ]
    body = tag(
        "CompleteMultipartUploadResult",
        text("Bucket", bucket.name),
        text("Key", upload.key),
        text("ETag", version.quoted),
        *told,
    )
    return document(body, headers=named)


def _chosen(world: World, upload: Begun, named: list[dict[str, str]]) -> list[SentPart]:
    """The parts that complete names, which must rise, be there, be the very ones, be large enough."""
    if not named:
        raise RefusedError(400, "MalformedXML")
    numbers = [int(one.get("PartNumber", "0")) for one in named]
    if any(after <= before for before, after in pairwise(numbers)):
        raise RefusedError(400, "InvalidPartOrder")
    if upload.kind and upload.type == COMPOSITE and numbers != list(range(1, len(numbers) + 1)):
        raise RefusedError(400, "InvalidPartOrder")  # section 7.3: without gaps
    parts = []
    for number, one in zip(numbers, named, strict=True):
        part = upload.parts.get(number)
        if part is None or one.get("ETag", "").strip('"') != part.etag:
            raise RefusedError(400, "InvalidPart")
        parts.append(part)
    if any(len(part.data) < world.rules.smallest_part for part in parts[:-1]):
        raise RefusedError(400, "EntityTooSmall")
    return parts


def _check_named(upload: Begun, named: list[dict[str, str]], parts: list[SentPart]) -> None:
    """The checksum that complete gives of each part: needed where the parts were sent with one."""
    for one, part in zip(named, parts, strict=True):
        for field, value in one.items():
            if field.startswith("Checksum") and (
                upload.kind is None
                or field.removeprefix("Checksum").lower() != upload.kind
                or value != part.checksum
            ):
                raise RefusedError(400, "InvalidPart", field)
        wanted = upload.kind is not None and upload.type == COMPOSITE
        if wanted and f"Checksum{(upload.kind or '').upper()}" not in one:  # from memory
            message = "The complete request must include the checksum for each part."
            raise RefusedError(400, "InvalidRequest", message)


def _whole_checksum(
    world: World, asked: Asked, upload: Begun, parts: list[SentPart]
) -> Checksum | None:
    """The object's checksum, and that it is the one which complete announces."""
    wanted = asked.header("x-amz-checksum-type")
    if wanted is not None and wanted != upload.type:  # section 7.3: wrong type is BadDigest
        raise RefusedError(400, "BadDigest", "checksum type")
    said = said_checksums(asked, world.rules)
    kind = upload.kind or next(iter(said), None)
    if kind is None:
        return None
    if said and kind not in said:
        raise RefusedError(400, "BadDigest", "checksum of another kind")
    if upload.type == COMPOSITE:
        known = [part.checksum for part in parts]
        value = composite(kind, [one for one in known if one is not None])
    else:
        value = checksum(kind, b"".join(part.data for part in parts))
    if said and said[kind].split("-")[0] != value.split("-")[0]:
        raise RefusedError(400, world.rules.wrong_checksum, "The whole object's checksum")
    return Checksum(kind=kind, value=value, type=upload.type)


def list_parts(world: World, asked: Asked) -> Answer:
    """ListParts, in pages (STANDARDS sections 7.1 and 7.6)."""
    bucket = world.bucket(asked.bucket)
    upload = _upload(bucket, asked)
    most = min(int(asked.query.get("max-parts", world.rules.page)), world.rules.page)
    after = int(asked.query.get("part-number-marker", "0") or 0)
    left = sorted(number for number in upload.parts if number > after)
    shown = left[:most]
    told = [
        text("Bucket", bucket.name),
        text("Key", upload.key),
        text("UploadId", upload.id),
        text("PartNumberMarker", after),
        text("NextPartNumberMarker", shown[-1] if shown else 0),
        text("MaxParts", most),
        text("IsTruncated", "true" if len(left) > most else "false"),
    ]
    if upload.kind:
        told += [
            text("ChecksumAlgorithm", upload.kind.upper()),
            text("ChecksumType", upload.type),
        ]
    for number in shown:
        part = upload.parts[number]
        seen = (
            [text(f"Checksum{(upload.kind or '').upper()}", part.checksum)] if part.checksum else []
        )
        told.append(
            tag(
                "Part",
                text("PartNumber", number),
                text("LastModified", part.modified.strftime(_STAMP)),
                text("ETag", f'"{part.etag}"'),
                text("Size", len(part.data)),
                *(seen if upload.kind else []),
            )
        )
    return document(tag("ListPartsResult", *told))


def list_uploads(world: World, asked: Asked) -> Answer:
    """ListMultipartUploads: by key, then by time; in pages."""
    bucket = world.bucket(asked.bucket)
    prefix = asked.query.get("prefix", "")
    most = min(int(asked.query.get("max-uploads", world.rules.page)), world.rules.page)
    key_mark = asked.query.get("key-marker", "")
    id_mark = asked.query.get("upload-id-marker", "")
    every = sorted(
        (one for one in bucket.uploads.values() if one.key.startswith(prefix)),
        key=lambda one: (one.key.encode(), one.id),
    )
    left = [
        one
        for one in every
        if one.key.encode() > key_mark.encode()
        or (id_mark and one.key == key_mark and one.id > id_mark)
    ]
    shown = left[:most]
    is_cut = len(left) > most
    told = [
        text("Bucket", bucket.name),
        text("Prefix", prefix),
        text("MaxUploads", most),
        text("IsTruncated", "true" if is_cut else "false"),
    ]
    if is_cut:
        told += [
            text("NextKeyMarker", shown[-1].key),
            text("NextUploadIdMarker", shown[-1].id),
        ]
    told += [
        tag(
            "Upload",
            text("Key", one.key),
            text("UploadId", one.id),
            text("Initiated", one.begun.strftime(_STAMP)),
            text("StorageClass", "STANDARD"),
        )
        for one in shown
    ]
    return document(tag("ListMultipartUploadsResult", *told))
