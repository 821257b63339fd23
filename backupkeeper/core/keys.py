"""What is known of the keys for which a bucket's files are encrypted."""

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class BucketSecrecy:
    """What of a bucket is encrypted. ``readable``: whoever has access to it reads these."""

    name: str
    encrypted_files: int
    readable_files: int
    readable_bytes: int


@dataclass(frozen=True, kw_only=True, slots=True)
class KeysReport:
    """For whom is encrypted, and who showed that they hold a key.

    ``shown`` are the recipients whose key was there at ``shown_at``; ``where`` is where the person
    said that it is kept. All three speak of the recipients as they are configured now. Whether others
    on this machine can read ``identity_file`` is ``is_open``.
    """

    recipients: tuple[str, ...]
    hide_names: bool
    identity_file: str
    buckets: tuple[BucketSecrecy, ...]
    shown_at: datetime | None = None
    shown: tuple[str, ...] = ()
    where: str = ""
    is_open: bool = False

    @property
    def may_send(self) -> bool:
        """Whether nothing keeps encrypted files from being sent."""
        return not self.recipients or self.shown_at is not None
