"""Findings of a bucket with which nothing is wrong."""

from types import MappingProxyType

from backupkeeper.core.bucket_findings import Findings, Step, Word

GOOD = Findings(
    refuses=MappingProxyType({"content-md5": (Step.PUT, Step.PART)}),
    returns=(),
    conditional_put=True,
    conditional_complete=True,
    etag_is_md5=True,
    refuses_small_parts=True,
    takes_part_10000=True,
    versioning=True,
    object_lock=Word.YES,
    lock_default="governance, 30 days",
    lifecycle=Word.YES,
    abort_days=35,
    deletes_days=None,
    read_by_anybody=False,
    public_policy=Word.NO,
    public_grants=Word.NO,
    skew_s=0.1,
    latency_s=0.05,
    put_rate=1e7,
    get_rate=1e7,
    left_behind=(),
)
