"""Buckets of the strict store: making and asking them, and the documents that lie beside one."""

from tests.world.strict_rules import Bucket, World, checked
from tests.world.strict_talk import Answer, Asked, RefusedError, document, tag, text, value_in

ABSENT = {
    "lifecycle": "NoSuchLifecycleConfiguration",
    "object-lock": "ObjectLockConfigurationNotFoundError",
    "publicAccessBlock": "NoSuchPublicAccessBlockConfiguration",
    "policy": "NoSuchBucketPolicy",
    "policyStatus": "NoSuchBucketPolicy",
    "ownershipControls": "OwnershipControlsNotFoundError",
    "encryption": "ServerSideEncryptionConfigurationNotFoundError",
}
"""Documents beside a bucket, and what is answered where there is none."""
_NEEDS_CHECK = {"lifecycle", "object-lock"}
"""Taken only with Content-MD5 or a checksum (STANDARDS section 7.4)."""


def bucket_call(world: World, asked: Asked) -> Answer:
    """Calls on a bucket itself, without its listings."""
    if asked.method == "PUT" and not asked.query:
        return _create(world, asked)
    bucket = world.bucket(asked.bucket)
    if asked.method == "HEAD":
        return Answer(headers={"x-amz-bucket-region": "us-east-1"})
    if asked.method == "DELETE" and not asked.query:
        if any(bucket.objects.values()) or bucket.uploads:
            raise RefusedError(409, "BucketNotEmpty")
        del world.buckets[bucket.name]
        return Answer(status=204)
    return _document(world, bucket, asked)


def _document(world: World, bucket: Bucket, asked: Asked) -> Answer:
    if "location" in asked.query:
        return document("<LocationConstraint/>")
    if "versioning" in asked.query:
        return _versioning(bucket, asked)
    if "acl" in asked.query and asked.method == "GET":
        return _acl()
    for name in set(ABSENT) & set(asked.query):
        return _beside(world, bucket, name, asked)
    raise RefusedError(501, "NotImplemented", str(sorted(asked.query)))


def _create(world: World, asked: Asked) -> Answer:
    if asked.bucket in world.buckets:
        raise RefusedError(409, "BucketAlreadyOwnedByYou")
    made = Bucket(name=asked.bucket)
    if asked.header("x-amz-bucket-object-lock-enabled") == "true":
        # STANDARDS section 7.7: with versioning, which can't be suspended after.
        made.object_lock, made.versioning = True, "Enabled"
        made.settings["object-lock"] = (
            b"<ObjectLockConfiguration><ObjectLockEnabled>Enabled</ObjectLockEnabled>"
            b"</ObjectLockConfiguration>"
        )
    world.buckets[asked.bucket] = made
    return Answer(headers={"Location": f"/{asked.bucket}"})


def _versioning(bucket: Bucket, asked: Asked) -> Answer:
    if asked.method == "GET":
        status = [text("Status", bucket.versioning)] if bucket.versioning else []
        return document(tag("VersioningConfiguration", *status))
    wanted = value_in(asked.body, "Status")
    if wanted not in {"Enabled", "Suspended"}:
        raise RefusedError(400, "MalformedXML")
    if bucket.object_lock and wanted != "Enabled":
        raise RefusedError(409, "InvalidBucketState")
    bucket.versioning = wanted
    return Answer()


def _acl() -> Answer:
    grantee = (
        '<Grantee xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" '
        'xsi:type="CanonicalUser"><ID>owner</ID></Grantee>'
    )
    grant = tag("Grant", grantee, text("Permission", "FULL_CONTROL"))
    owner = tag("Owner", text("ID", "owner"))
    return document(tag("AccessControlPolicy", owner, tag("AccessControlList", grant)))


def _beside(world: World, bucket: Bucket, name: str, asked: Asked) -> Answer:
    if asked.method == "PUT":
        found = checked(asked, world.rules)
        if name in _NEEDS_CHECK and found is None and asked.header("content-md5") is None:
            raise RefusedError(400, "InvalidRequest", "Missing required header: Content-MD5")
        if name == "object-lock" and not bucket.object_lock:
            raise RefusedError(409, "InvalidBucketState")
        bucket.settings[name] = asked.body
        return Answer()
    if asked.method == "DELETE":
        bucket.settings.pop(name, None)
        return Answer(status=204)
    if name not in bucket.settings:
        raise RefusedError(404, ABSENT[name])
    return Answer(body=bucket.settings[name], headers={"Content-Type": "application/xml"})
