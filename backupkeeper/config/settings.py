"""The settings that a configuration comes to: frozen values with their defaults."""

from dataclasses import dataclass
from datetime import time, timedelta
from decimal import Decimal
from enum import StrEnum
from typing import Final

from backupkeeper.core.cardrules import SourceRule
from backupkeeper.core.hours import WeekTime, Window
from backupkeeper.core.line import LineRule, LineWindow
from backupkeeper.core.policy import Policy
from backupkeeper.core.prices import GB, Prices
from backupkeeper.core.sampling import Budget
from backupkeeper.core.storage import ClassRule


class HashFormat(StrEnum):
    """Digests that a manifest can carry, by their ASC MHL element name."""

    XXH128 = "xxh128"
    MD5 = "md5"
    SHA1 = "sha1"
    XXH64 = "xxh64"
    XXH3 = "xxh3"
    C4 = "c4"


class Addressing(StrEnum):
    """How a bucket is named to its service: in the path, in the host name, or as boto3 chooses."""

    AUTO = "auto"
    PATH = "path"
    VIRTUAL = "virtual"


class RetentionMode(StrEnum):
    """How firmly a bucket with object lock keeps an object."""

    GOVERNANCE = "governance"
    """Those with a right of its own may take the lock off."""
    COMPLIANCE = "compliance"
    """Nobody may, whoever they are, until the day has come."""


class Security(StrEnum):
    """How the line to the mail server is protected."""

    STARTTLS = "starttls"
    TLS = "tls"
    NONE = "none"
    """Only to a server on this very machine."""


@dataclass(frozen=True, kw_only=True, slots=True)
class CatalogSettings:
    """``[catalog]``: ``path`` is absolute."""

    path: str
    snapshot_minutes: int = 15
    """At least so long after a place's last snapshot the daemon gives it the next one."""


@dataclass(frozen=True, kw_only=True, slots=True)
class LayoutSettings:
    """``[layout]``: where a roll goes, below the root of any place.

    Each of ``{shoot}``, ``{source}`` and ``{roll}`` stands once, in a part of its own: so no two
    rolls share a folder and none lies in another.
    """

    roll: str = "{shoot}/Originals/{source}/{roll}"


@dataclass(frozen=True, kw_only=True, slots=True)
class ManifestSettings:
    """``[manifest]``: ``formats`` begins with ``xxh128``; empty texts are left out."""

    formats: tuple[HashFormat, ...] = (HashFormat.XXH128,)
    author: str = ""
    location: str = ""
    comment: str = ""


NIGHT: Final = Window(start=time(1), end=time(6))
QUIET: Final = Window(start=time(22), end=time(7))
MONDAY: Final = WeekTime(weekday=0, at=time(8))


@dataclass(frozen=True, kw_only=True, slots=True)
class UploadSettings:
    """``[upload]``: ``limit`` in bytes a second, None: none; no ``windows`` means at any time.

    ``encrypt_to`` are recipients of the format age; none: nothing is encrypted. ``spool`` empty: a
    folder beside the catalog; ``identity_file`` empty: no key is at hand.
    """

    addressing: Addressing = Addressing.AUTO
    parallel_parts: int = 4
    storage_class: str = ""
    """In which class originals are put where no rule of ``classes`` holds; empty: the bucket's own."""
    classes: tuple[ClassRule, ...] = ()
    retention_days: int = 0
    """For so many days a bucket with object lock keeps an original whatever is asked of it; 0: no lock."""
    retention_mode: RetentionMode = RetentionMode.GOVERNANCE
    limit: int | None = None
    windows: tuple[LineWindow, ...] = ()
    on_metered: bool = False
    """Whether the daemon uploads on a line that is metered."""
    encrypt_to: tuple[str, ...] = ()
    hide_names: bool = False
    plain_too: bool = False
    """Whether a bucket with encrypted files gets plain ones where there are no recipients."""
    identity_file: str = ""
    spool: str = ""

    @property
    def line(self) -> LineRule:
        """What the person set about the line."""
        return LineRule(limit=self.limit, windows=self.windows)


@dataclass(frozen=True, kw_only=True, slots=True)
class WatchSettings:
    """``[watch]``: ``media`` are the folders below which systems mount cards and drives."""

    media: tuple[str, ...] = ("/media", "/run/media", "/mnt")
    quiet_s: float = 120.0
    """How long a file must have been left alone before its change is looked at, in seconds."""


@dataclass(frozen=True, kw_only=True, slots=True)
class ProofSettings:
    """``[proofs]``: ``window`` None means at any time; ``budget_s`` is for one night."""

    window: Window | None = NIGHT
    budget_s: float = 3 * 3600.0
    lead: timedelta = timedelta(days=14)
    """How long before a proof is too old the copy is read again."""
    auto_repair: bool = True
    """Whether the daemon mends damaged copies on drives without asking."""
    bucket_sample_percent: float = 5.0
    """So many percent of what the store attested are fetched back and compared each year."""
    bucket_years: int = 0
    """Within so many years all of it is; 0: only so many percent a year."""
    drill_months: int = 0
    """After so many months without a restore drill it is time for one; 0: never."""
    drill_folder: str = ""
    """In which the daemon makes that drill; empty: it only says that it is time."""
    bucket_month_gb: Decimal | None = None
    bucket_month_cost: Decimal | None = None
    """What the sample and the daemon's drills may fetch a month; None: as much as it takes."""

    @property
    def budget(self) -> Budget:
        """Both of these."""
        size = None if self.bucket_month_gb is None else int(self.bucket_month_gb * GB)
        return Budget(size_bytes=size, cost=self.bucket_month_cost)


@dataclass(frozen=True, kw_only=True, slots=True)
class ReportSettings:
    """``[report]``: ``weekly`` None means never."""

    weekly: WeekTime | None = MONDAY
    posters: bool = True
    """Whether small pictures of clips are made and kept beside the catalog."""


@dataclass(frozen=True, kw_only=True, slots=True)
class NotifySettings:
    """``[notify]``: ``command`` is a program and its arguments; empty: none."""

    desktop: bool = True
    command: tuple[str, ...] = ()
    quiet: Window | None = QUIET
    away_days: int = 30
    upload_days: int = 3


@dataclass(frozen=True, kw_only=True, slots=True)
class MailSettings:
    """``[mail]``: no ``to`` means no mail.

    ``password_from`` is ``file:/path``, ``credential:NAME`` (of systemd) or ``keyring``.
    """

    to: str = ""
    sender: str = ""
    host: str = ""
    port: int = 587
    security: Security = Security.STARTTLS
    user: str = ""
    password_from: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class PageSettings:
    """``[page]``: the live page. ``address`` is this machine's own; ``port`` 0: any that is free."""

    enabled: bool = False
    address: str = "127.0.0.1"
    port: int = 0


@dataclass(frozen=True, kw_only=True, slots=True)
class LogSettings:
    """``[log]``: without a ``file`` the log goes to the journal, or to standard error."""

    file: str = ""
    size_mb: int = 10
    keep: int = 5


NO_PRICES: Final = Prices()


@dataclass(frozen=True, kw_only=True, slots=True)
class Config:
    """Everything that a person can set."""

    catalog: CatalogSettings
    policy: Policy
    layout: LayoutSettings
    manifest: ManifestSettings
    upload: UploadSettings
    watch: WatchSettings
    sources: tuple[SourceRule, ...]
    proofs: ProofSettings
    report: ReportSettings
    notify: NotifySettings
    mail: MailSettings
    log: LogSettings
    page: PageSettings = PageSettings()
    prices: Prices = NO_PRICES
