"""A Keeper made by hand: answers what it is told to answer, and notes what it was asked."""

from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field, replace
from types import TracebackType
from typing import Any, Self

from backupkeeper.cli.session import Session
from backupkeeper.config import Config, parse_config
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
from backupkeeper.ports.progress import Progress, Quiet
from tests.report import day

QUIET = Quiet()


@dataclass(kw_only=True)
class HandKeeper:
    """``answer`` is returned, or raised if it is an exception, by every deed."""

    answer: Any
    named: str | None = None
    asked: list[tuple[Any, ...]] = field(default_factory=list)
    closed: bool = False
    afterwards: Callable[[], tuple[str, ...]] = tuple
    """What comes of making posters after an offload."""

    def session(self, **environ: str) -> Session:
        """What stands in ``ctx.obj``."""

        def opened(
            config: str | None, environ: Mapping[str, str]
        ) -> AbstractContextManager["HandKeeper"]:
            self.named = config
            return self

        def ran(config: str | None, environ: Mapping[str, str]) -> int:
            self.named = config
            return self._answered("run")  # type: ignore[no-any-return]  # the test's own answer

        return Session(open_keeper=opened, run_daemon=ran, environ=environ, seconds=lambda: 0.0)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.closed = True

    def look_at_leaving(self, name: str, standing: Standing, *, progress: Progress) -> Leaving:
        return self._answered("look_at_leaving", name, standing)  # type: ignore[no-any-return]  # the test's own answer

    def leave(self, leaving: Leaving) -> Leaving:
        return self._answered("leave", leaving)  # type: ignore[no-any-return]  # the test's own answer

    def find_again(self, name: str) -> PlaceBack:
        return self._answered("find_again", name)  # type: ignore[no-any-return]  # the test's own answer

    def rename(self, name: str, new: str, *, dry_run: bool) -> PlaceRenamed:
        return self._answered("rename", name, new, dry_run)  # type: ignore[no-any-return]  # the test's own answer

    def look_at_replacing(self, wanted: Replacement, *, progress: Progress) -> Leaving:
        return self._answered("look_at_replacing", wanted)  # type: ignore[no-any-return]  # the test's own answer

    def replace(self, wanted: Replacement, leaving: Leaving) -> tuple[Leaving, Place]:
        return self._answered("replace", wanted, leaving)  # type: ignore[no-any-return]  # the test's own answer

    def compare(self, one: str, two: str, *, read: bool, progress: Progress) -> Compared:
        return self._answered("compare", one, two, read)  # type: ignore[no-any-return]  # the test's own answer

    def _answered(self, *asked: Any) -> Any:
        self.asked.append(asked)
        if isinstance(self.answer, BaseException):
            raise self.answer
        return self.answer

    def add_drive(self, path: str, *, role: Role, name: str, folder: bool) -> Place:
        return self._answered("drive", path, role, name, folder)  # type: ignore[no-any-return]  # the test's own answer

    def add_bucket(
        self,
        location: str,
        *,
        role: Role,
        name: str,
        endpoint: str | None,
        profile: str | None,
        progress: Progress = QUIET,
    ) -> Place:
        return self._answered("bucket", location, role, name, endpoint, profile)  # type: ignore[no-any-return]  # as above

    def check_place(self, name: str, *, progress: Progress) -> PlaceCheck:
        return self._answered("check", name)  # type: ignore[no-any-return]  # as above

    def lifecycle_rule(self, name: str) -> Mapping[str, object]:
        return self._answered("rule", name)  # type: ignore[no-any-return]  # as above

    def set_lifecycle_rule(self, name: str, *, progress: Progress) -> tuple[bool, PlaceCheck]:
        return self._answered("set rule", name)  # type: ignore[no-any-return]  # as above

    def places(self) -> tuple[PlaceReport, ...]:
        return self._answered("places")  # type: ignore[no-any-return]  # as above

    def keys(self) -> KeysReport:
        return self._answered("keys")  # type: ignore[no-any-return]  # as above

    def try_keys(self, files: Sequence[str]) -> None:
        self._answered("try keys", list(files))

    def show_keys(self, files: Sequence[str], *, where: str) -> KeysReport:
        return self._answered("show keys", list(files), where)  # type: ignore[no-any-return]  # as above

    def place_names(self) -> Mapping[PlaceId, str]:
        return day.NAMES

    @property
    def config(self) -> Config:
        return parse_config("", "config.toml", home="/home/me", state_home="/home/me/state")

    def offload(
        self, card: str, *, shoot: str, source: str, roll: str | None, progress: Progress
    ) -> OffloadOutcome:
        progress.begin(f"Offloading {source}", total_bytes=8, total_files=2)
        return self._answered("offload", card, shoot, source, roll)  # type: ignore[no-any-return]  # as above

    def check_delivery(self, folder: str, *, progress: Progress) -> DeliveryOutcome:
        del progress
        answer: DeliveryOutcome = self._answered("check_delivery", folder)
        return answer

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
        del progress
        answer: DeliveryOutcome = self._answered("bring_in", folder, shoot, source, roll, as_it_is)
        return answer

    def mirror(self, *, progress: Progress) -> MirrorOutcome:
        return self._answered("mirror")  # type: ignore[no-any-return]  # as above

    def upload(self, *, now: bool = False, progress: Progress) -> tuple[UploadOutcome, ...]:
        return self._answered("upload", *(["now"] if now else []))  # type: ignore[no-any-return]  # as above

    def verify(
        self, what: str | None, *, in_doubt: bool = False, progress: Progress
    ) -> VerifyOutcome:
        return self._answered("verify", what)  # type: ignore[no-any-return]  # as above

    def repair(
        self, what: str | None, *, dry_run: bool, edited: bool, in_doubt: bool, progress: Progress
    ) -> RepairOutcome:
        return self._answered("repair", what, dry_run, edited, in_doubt)  # type: ignore[no-any-return]  # as above

    def restore(self, asked: Asked, *, agree: Agree, progress: Progress) -> RestoreOutcome:
        answer: RestoreOutcome = self._answered("restore", asked)
        return answer if agree(answer.plan) else replace(answer, done=False)

    def hand_over(
        self, asked: Asked, handing: Handing, *, agree: Agree, progress: Progress
    ) -> HandoverOutcome:
        answer: HandoverOutcome = self._answered("hand_over", asked, handing)
        return answer if agree(answer.restored.plan) else replace(answer, closed=False)

    def drill(self, asked: Asked, *, agree: Agree, progress: Progress) -> DrillOutcome:
        answer: DrillOutcome = self._answered("drill", asked)
        return answer if agree(answer.restored.plan) else replace(answer, result=None)

    def costs(self, name: str | None) -> tuple[BucketCost, ...]:
        return self._answered("costs", name)  # type: ignore[no-any-return]  # as above

    def posters(self, what: str | None, *, progress: Progress) -> PostersOutcome:
        return self._answered("posters", what)  # type: ignore[no-any-return]  # as above

    def posters_after(self, outcome: OffloadOutcome, *, progress: Progress) -> tuple[str, ...]:
        self.asked.append(("posters after", outcome.folders))
        return self.afterwards()

    def rebuild(self, wish: RebuildWish, *, progress: Progress) -> RebuildOutcome:
        return self._answered("rebuild", wish)  # type: ignore[no-any-return]  # as above

    def merge(self, wish: MergeWish, *, progress: Progress) -> MergeOutcome:
        return self._answered("merge", wish)  # type: ignore[no-any-return]  # as above

    def adopt(self, wish: AdoptWish, *, progress: Progress) -> AdoptAll:
        return self._answered("adopt", wish)  # type: ignore[no-any-return]  # as above

    def kept_aside(self, name: str | None) -> tuple[KeptAside, ...]:
        return self._answered("kept-aside", name)  # type: ignore[no-any-return]  # as above

    def delete_aside(self, name: str) -> tuple[KeptAside, ...]:
        return self._answered("delete-aside", name)  # type: ignore[no-any-return]  # as above

    def may_wipe(self, card: str, *, progress: Progress) -> Verdict:
        progress.begin("Reading the card", total_bytes=8, total_files=2)
        return self._answered("may-wipe", card)  # type: ignore[no-any-return]  # as above

    def may_wipe_with_receipt(self, card: str, file: str, *, progress: Progress) -> Receipted:
        return self._answered("receipt", card, file)  # type: ignore[no-any-return]  # as above

    def gaps(self) -> GapReport:
        return self._answered("gaps")  # type: ignore[no-any-return]  # as above

    def overview(self) -> Overview:
        return self._answered("overview")  # type: ignore[no-any-return]  # as above

    def pictures(self, overview: Overview) -> Mapping[Blake3, Poster]:
        self.asked.append(("pictures", len(overview.clips)))
        return {}

    def write_report(self, path: str, page: str) -> str:
        self.asked.append(("write report", path, page))
        return f"/home/me/{path}"

    def status(self) -> Status:
        return self._answered("status")  # type: ignore[no-any-return]  # as above

    def page_address(self) -> str:
        return self._answered("page")  # type: ignore[no-any-return]  # as above

    def open_page(self) -> str:
        return self._answered("open page")  # type: ignore[no-any-return]  # as above

    def pause(self, seconds: float | None, *, uploads: bool = False) -> bool:
        return self._answered("pause", seconds, *(["uploads"] if uploads else []))  # type: ignore[no-any-return]  # as above

    def resume(self, *, uploads: bool = False) -> bool:
        return self._answered("resume", *(["uploads"] if uploads else []))  # type: ignore[no-any-return]  # as above

    def mail_report(self) -> MailOutcome:
        return self._answered("mail report")  # type: ignore[no-any-return]  # as above

    def draft_report(self) -> DraftedMail:
        return self._answered("draft report")  # type: ignore[no-any-return]  # as above

    def write_draft(self, file: str, data: bytes) -> str:
        self.asked.append(("write draft", file, data))
        return f"/whole/{file}"

    def test_mail(self) -> Sending:
        return self._answered("test mail")  # type: ignore[no-any-return]  # as above

    def export_list(self, roll: str) -> bytes:
        return self._answered("export", roll)  # type: ignore[no-any-return]  # as above
