"""What the commands ask for: ``wiring.Keeper`` as a Protocol, so that tests can hand in their own."""

from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from typing import Protocol

from backupkeeper.config import Config
from backupkeeper.core.adopting import AdoptAll, AdoptWish
from backupkeeper.core.comparing import Compared
from backupkeeper.core.delivering import DeliveryOutcome
from backupkeeper.core.drilling import DrillOutcome
from backupkeeper.core.handing import Handing, HandoverOutcome
from backupkeeper.core.keys import KeysReport
from backupkeeper.core.leaving import Leaving
from backupkeeper.core.mailing import DraftedMail, MailOutcome, Sending
from backupkeeper.core.mending import KeptAside, RepairOutcome
from backupkeeper.core.merging import MergeOutcome, MergeWish
from backupkeeper.core.model import Blake3, Place, PlaceId, Role, Standing
from backupkeeper.core.outcomes import (
    GapReport,
    MirrorOutcome,
    OffloadOutcome,
    PlaceBack,
    PlaceCheck,
    PlaceRenamed,
    PlaceReport,
    UploadOutcome,
    Verdict,
    VerifyOutcome,
)
from backupkeeper.core.overview import Overview
from backupkeeper.core.posters import Poster, PostersOutcome
from backupkeeper.core.prices import BucketCost
from backupkeeper.core.rebuilding import RebuildOutcome, RebuildWish
from backupkeeper.core.receipt import Receipted
from backupkeeper.core.replacing import Replacement
from backupkeeper.core.restoring import Agree, Asked, RestoreOutcome
from backupkeeper.core.status import Status
from backupkeeper.ports.progress import Progress


class Keeper(Protocol):
    """Every deed. Only errors of ``core.errors`` leave it."""

    @property
    def config(self) -> Config:
        """What the person set."""
        ...

    def add_drive(self, path: str, *, role: Role, name: str, folder: bool) -> Place:
        """Take in a drive or a folder."""
        ...

    def add_bucket(
        self,
        location: str,
        *,
        role: Role,
        name: str,
        endpoint: str | None,
        profile: str | None,
        progress: Progress = ...,
    ) -> Place:
        """Take in a bucket."""
        ...

    def check_place(self, name: str, *, progress: Progress) -> PlaceCheck:
        """What a bucket can do."""
        ...

    def lifecycle_rule(self, name: str) -> Mapping[str, object]:
        """The rule that ends unfinished uploads."""
        ...

    def set_lifecycle_rule(self, name: str, *, progress: Progress) -> tuple[bool, PlaceCheck]:
        """Add it; whether it was not there, and what the bucket can do now."""
        ...

    def look_at_leaving(self, name: str, standing: Standing, *, progress: Progress) -> Leaving:
        """What it would mean that a place is lost or retired."""
        ...

    def leave(self, leaving: Leaving) -> Leaving:
        """Record it."""
        ...

    def find_again(self, name: str) -> PlaceBack:
        """A place that was lost or retired counts again."""
        ...

    def rename(self, name: str, new: str, *, dry_run: bool) -> PlaceRenamed:
        """Another name for a place."""
        ...

    def look_at_replacing(self, wanted: Replacement, *, progress: Progress) -> Leaving:
        """What it would mean to take in a new place instead of one."""
        ...

    def replace(self, wanted: Replacement, leaving: Leaving) -> tuple[Leaving, Place]:
        """Take it in; the old one leaves."""
        ...

    def compare(self, one: str, two: str, *, read: bool, progress: Progress) -> Compared:
        """Two drives or folders held against each other."""
        ...

    def places(self) -> tuple[PlaceReport, ...]:
        """Every place."""
        ...

    def place_names(self) -> Mapping[PlaceId, str]:
        """What each place is called; asks no drive."""
        ...

    def offload(
        self, card: str, *, shoot: str, source: str, roll: str | None, progress: Progress
    ) -> OffloadOutcome:
        """A card onto every drive that is here."""
        ...

    def check_delivery(self, folder: str, *, progress: Progress) -> DeliveryOutcome:
        """Hold what was delivered against its manifests."""
        ...

    def bring_in(
        self,
        folder: str,
        *,
        shoot: str,
        source: str,
        roll: str | None,
        as_it_is: bool,
        progress: Progress,
    ) -> DeliveryOutcome:
        """Take it in."""
        ...

    def mirror(self, *, progress: Progress) -> MirrorOutcome:
        """What one drive has and another lacks."""
        ...

    def upload(self, *, now: bool = False, progress: Progress) -> tuple[UploadOutcome, ...]:
        """What the buckets lack."""
        ...

    def verify(
        self, what: str | None, *, in_doubt: bool = False, progress: Progress
    ) -> VerifyOutcome:
        """Read again."""
        ...

    def repair(
        self, what: str | None, *, dry_run: bool, edited: bool, in_doubt: bool, progress: Progress
    ) -> RepairOutcome:
        """Mend."""
        ...

    def restore(self, asked: Asked, *, agree: Agree, progress: Progress) -> RestoreOutcome:
        """Bring back."""
        ...

    def hand_over(
        self, asked: Asked, handing: Handing, *, agree: Agree, progress: Progress
    ) -> HandoverOutcome:
        """Bring into a folder, in a form that any tool can check."""
        ...

    def drill(self, asked: Asked, *, agree: Agree, progress: Progress) -> DrillOutcome:
        """Bring a shoot back to see that it comes."""
        ...

    def costs(self, name: str | None) -> tuple[BucketCost, ...]:
        """What buckets hold and cost."""
        ...

    def posters(self, what: str | None, *, progress: Progress) -> PostersOutcome:
        """Make the posters that are missing."""
        ...

    def posters_after(self, outcome: OffloadOutcome, *, progress: Progress) -> tuple[str, ...]:
        """Make those of what was offloaded; sentences on what could not be made."""
        ...

    def rebuild(self, wish: RebuildWish, *, progress: Progress) -> RebuildOutcome:
        """The catalog, from drives and buckets."""
        ...

    def merge(self, wish: MergeWish, *, progress: Progress) -> MergeOutcome:
        """Other catalogs, added to ours."""
        ...

    def adopt(self, wish: AdoptWish, *, progress: Progress) -> AdoptAll:
        """What lies on a drive already becomes rolls, where it is."""
        ...

    def kept_aside(self, name: str | None) -> tuple[KeptAside, ...]:
        """Damaged files that are kept on a drive."""
        ...

    def delete_aside(self, name: str) -> tuple[KeptAside, ...]:
        """Delete those of them whose place was taken by a proven copy."""
        ...

    def may_wipe(self, card: str, *, progress: Progress) -> Verdict:
        """The verdict."""
        ...

    def may_wipe_with_receipt(self, card: str, file: str, *, progress: Progress) -> Receipted:
        """The verdict, with a receipt in a file."""
        ...

    def gaps(self) -> GapReport:
        """Rolls against roles."""
        ...

    def overview(self) -> Overview:
        """How everything stands."""
        ...

    def pictures(self, overview: Overview) -> Mapping[Blake3, Poster]:
        """The posters of its clips, as far as there are any."""
        ...

    def write_report(self, path: str, page: str) -> str:
        """Write the page to a file; its whole path."""
        ...

    def keys(self) -> KeysReport:
        """For whom is encrypted."""
        ...

    def try_keys(self, files: Sequence[str]) -> None:
        """Whether the keys in these files decrypt; else a UsageError."""
        ...

    def show_keys(self, files: Sequence[str], *, where: str) -> KeysReport:
        """Show that the keys in these files decrypt."""
        ...

    def status(self) -> Status:
        """What the daemon is at."""
        ...

    def page_address(self) -> str:
        """Where the live page is."""
        ...

    def open_page(self) -> str:
        """Have the browser show the live page; where it is."""
        ...

    def pause(self, seconds: float | None, *, uploads: bool = False) -> bool:
        """Ask the daemon for peace; whether one heard."""
        ...

    def resume(self, *, uploads: bool = False) -> bool:
        """Ask it to go on; whether one heard."""
        ...

    def mail_report(self) -> MailOutcome:
        """How everything stands, as a mail, now."""
        ...

    def draft_report(self) -> DraftedMail:
        """The same, not sent."""
        ...

    def write_draft(self, file: str, data: bytes) -> str:
        """Write it to a new file; where that is."""
        ...

    def test_mail(self) -> Sending:
        """A short mail, to see how that goes."""
        ...

    def export_list(self, roll: str) -> bytes:
        """The checksum list of a roll."""
        ...


OpenKeeper = Callable[[str | None, Mapping[str, str]], AbstractContextManager[Keeper]]
"""(path of the configuration or None, environment) -> a Keeper to be closed."""

RunDaemon = Callable[[str | None, Mapping[str, str]], int]
"""(path of the configuration or None, environment) -> exit code, once it was told to end."""

TellStatus = Callable[[str | None, Mapping[str, str]], AbstractContextManager[Callable[[], Status]]]
"""(path of the configuration or None, environment) -> what tells how everything is, each time anew."""
