"""What the Keeper judges: may a card be wiped, and a receipt that tells it."""

import os
from datetime import tzinfo

from tzlocal import get_localzone

from backupkeeper.actions.context import Context
from backupkeeper.actions.may_wipe import judge_card, may_wipe
from backupkeeper.actions.receipt import gather_receipt
from backupkeeper.actions.receipt_target import ReceiptTarget, receipt_target, write_receipt
from backupkeeper.core.errors import BackupkeeperError
from backupkeeper.core.outcomes import Verdict
from backupkeeper.core.receipt import Judged, Receipted
from backupkeeper.ports.progress import Progress
from backupkeeper.report.receipt import receipt_page
from backupkeeper.report.receipt_json import receipt_text
from backupkeeper.wiring.restoring import whole_path


class Judging:
    """A part of the Keeper."""

    _context: Context

    def may_wipe(self, card: str, *, progress: Progress) -> Verdict:
        """See ``actions.may_wipe.may_wipe``."""
        return may_wipe(self._context, whole_path(card), progress)

    def may_wipe_with_receipt(self, card: str, file: str, *, progress: Progress) -> Receipted:
        """The verdict, and a receipt of it in a file; what kept it from being written is no error.

        Args:
            card: where it is mounted.
            file: a page (``.html``, with JSON beside it), or JSON only (``.json``).
            progress: told how far it is.

        Raises:
            UsageError: there is no such card; or the file can't, or must not, be written there, and
                nothing was read.
        """
        where = whole_path(card)
        target = receipt_target(self._context, where, _new_path(file))
        judged = judge_card(self._context, where, progress)
        try:
            return self._written(judged, target, progress, get_localzone())
        except BackupkeeperError as error:
            told = f"The receipt was not written. {error}"
            return Receipted(verdict=judged.verdict, page=None, data=None, trouble=told)

    def _written(
        self, judged: Judged, target: ReceiptTarget, progress: Progress, zone: tzinfo
    ) -> Receipted:
        receipt = gather_receipt(self._context, judged, progress)
        data = receipt_text(receipt, zone)
        page = None
        if target.page is not None:
            named = os.path.basename(target.data)
            page = receipt_page(receipt, data=data, data_name=named, zone=zone).encode("utf-8")
        has_data, trouble = write_receipt(self._context, target, data, page)
        return Receipted(
            verdict=judged.verdict,
            page=None if trouble else target.page,
            data=target.data if has_data else None,
            trouble=trouble,
        )


def _new_path(file: str) -> str:
    """A file that is not there yet, absolute, the links of its folder resolved."""
    folder, name = os.path.split(file)
    return os.path.join(os.path.realpath(folder or "."), name)
