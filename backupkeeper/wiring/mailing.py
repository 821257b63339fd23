"""What the Keeper knows of mail: sending the report by hand, trying whether mails can be sent.

All that mail needs is loaded with the first of these: it takes longer than a help text may.
"""

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace
from typing import TYPE_CHECKING

from tzlocal import get_localzone

from backupkeeper.actions.online import online_drives, place_holding
from backupkeeper.core.errors import BackupkeeperError, PlaceHeldError, UsageError
from backupkeeper.core.hours import next_week
from backupkeeper.core.mailing import DraftedMail, MailOutcome, Sending
from backupkeeper.daemon.errand import Finished
from backupkeeper.wiring.overseeing import Overseeing
from backupkeeper.wiring.restoring import whole_path

if TYPE_CHECKING:
    from backupkeeper.daemon.mailbox import Mailbox
    from backupkeeper.daemon.posting import Sender


class Mailing(Overseeing):
    """A part of the Keeper."""

    _environ: Mapping[str, str]

    def weekly(self) -> Finished:
        """The weekly report: put into the outbox where there are mails, else only told."""
        from backupkeeper.report.mail_weekly import weekly  # noqa: PLC0415 - as above
        from backupkeeper.wiring.posting import mailbox_of, maker_of  # noqa: PLC0415 - as above

        context, week = self._context, self._context.config.report.weekly
        due = next_week(week, context.clock.now(), get_localzone()) if week is not None else None
        seen = replace(self.overview(), next_at=due)
        mailbox = mailbox_of(context)
        if mailbox is None:
            said = weekly(seen, maker_of(context))
            return Finished(said=said.subject, sight=said.text)
        posted = mailbox.post_weekly(seen, week)
        if posted is None:
            return Finished(said="The weekly report was made meanwhile.")
        return Finished(said=posted.said.subject, sight=posted.said.text, posted=True)

    def mail_report(self) -> MailOutcome:
        """How everything stands, as a mail, now. What is not taken waits in the outbox.

        Raises:
            UsageError: there is nobody to send it to.
            CatalogError: the outbox can't be used.
        """
        context, mailbox = self._context, self._mailbox()
        seen = self.overview()
        posted = mailbox.post_report(seen)
        sending: Sending | None = None
        with suppress(PlaceHeldError):  # somebody is sending just now, and will send this
            for one in self._sender().send_due(posted.letter.message_id):
                sending = one.sending
        return MailOutcome(
            subject=posted.said.subject,
            to=context.config.mail.to,
            sending=sending,
            has_daemon=context.locks.holder("daemon") is not None,
            overview=seen,
        )

    def draft_report(self) -> DraftedMail:
        """The same, not sent: what it says, and the whole mail as it would go over the line.

        Raises:
            UsageError: there is nobody to send it to.
        """
        from backupkeeper.daemon.smtp import addressed  # noqa: PLC0415 - as above

        said, message = self._mailbox().draft_report(self.overview())
        return DraftedMail(
            subject=said.subject,
            text=said.text,
            page=said.page,
            message=addressed(self._context.config.mail, message),
        )

    def write_draft(self, file: str, data: bytes) -> str:
        """Write a draft to a new file; its whole path.

        Raises:
            UsageError: the file lies in a place of ours.
            NameTakenError: a file of that name is there already.
            WriteError: it can't be written.
        """
        from backupkeeper.transfer.durable import (  # noqa: PLC0415 - as above
            discard,
            temp_name,
            write_small,
        )

        whole = whole_path(file)
        drives, _ = online_drives(self._context)
        held = place_holding(drives, whole)
        if held is not None:
            raise UsageError(
                f"{whole} lies in the place {held.place.name}, where only originals belong.",
                advice="Name a file in another folder.",
            )
        try:
            write_small(self._context.files, whole, data, lambda: None)
        except BackupkeeperError:
            discard(self._context.files, temp_name(whole))
            raise
        return whole

    def test_mail(self) -> Sending:
        """Send a short mail, past the outbox; how that went, step by step.

        Raises:
            UsageError: there is nobody to send it to.
        """
        context, mailbox = self._context, self._mailbox()
        week, now = context.config.report.weekly, context.clock.now()
        is_due = week is not None and context.locks.holder("daemon") is not None
        message = mailbox.trial(
            next_week(week, now, get_localzone()) if is_due and week is not None else None
        )
        return self._sender().mailer.send(message)

    def _sender(self) -> "Sender":
        from backupkeeper.wiring.posting import password_of, sender_of  # noqa: PLC0415 - as above

        password = password_of(self._context, self._environ, None)
        return sender_of(self._context, self._context.catalog, password)

    def _mailbox(self) -> "Mailbox":
        from backupkeeper.wiring.posting import mailbox_of  # noqa: PLC0415 - as above

        mailbox = mailbox_of(self._context)
        if mailbox is None:
            raise UsageError(
                "There is no address to send mails to.",
                advice="Set to, host and what belongs to them under [mail] in the configuration.",
            )
        return mailbox
