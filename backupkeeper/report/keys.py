"""The keys, in words and as an object."""

from backupkeeper.core.keys import BucketSecrecy, KeysReport
from backupkeeper.report.lines import Line, Look, Page, Tone
from backupkeeper.report.verdict import Json
from backupkeeper.report.words import moment, plural, shown, size

LOST = (
    "Whoever loses every one of these keys loses all that is encrypted: nobody can bring it back, not "
    "this program, not the store. Keep each key where neither fire nor thief gets both it and your "
    "drives, on paper too, and never only on this machine."
)
SECOND = (
    "There is one recipient only. A second key, kept elsewhere, makes the loss of one bearable: files "
    "are encrypted for both, and each alone opens them."
)


def keys_lines(report: KeysReport, look: Look) -> list[Line]:
    """For whom is encrypted, what losing the keys means, and what is encrypted by now."""
    page = Page(look)
    if not report.recipients:
        page.say("Nothing is encrypted: [upload] encrypt_to is empty.")
    else:
        page.say(
            f"What goes into a bucket is encrypted for {plural(len(report.recipients), 'key')}:"
        )
        for one in report.recipients:
            page.line(f"  {one}{'  (was shown)' if one in report.shown else ''}")
        page.gap()
        page.say(LOST, tone=Tone.WARN)
        if len(report.recipients) == 1:
            page.say(SECOND, tone=Tone.WARN)
        page.gap()
        _say_shown(page, report)
        names = "hidden" if report.hide_names else "readable by the store"
        page.say(f"Names of files and folders: {names}. Sizes and times can always be seen.")
    if report.is_open:
        page.say(
            f"Others on this machine can read the file with the key. To keep it to yourself: "
            f"chmod 600 {shown(report.identity_file)}",
            tone=Tone.BAD,
        )
    for bucket in report.buckets:
        _say_bucket(page, report, bucket)
    return page.lines


def _say_shown(page: Page, report: KeysReport) -> None:
    if report.shown_at is None:
        page.say(
            "Nobody has shown yet that they hold a key: until then nothing is sent.", tone=Tone.BAD
        )
        page.line("  backupkeeper keys --kept FILE")
        return
    when = moment(report.shown_at, page.look.zone)
    page.say(f"A key was shown on {when}: it decrypts. Kept: {shown(report.where)}", tone=Tone.GOOD)


def _say_bucket(page: Page, report: KeysReport, bucket: BucketSecrecy) -> None:
    page.say(f"{shown(bucket.name)}: {plural(bucket.encrypted_files, 'encrypted file')}.")
    if bucket.readable_files and (report.recipients or bucket.encrypted_files):
        what = f"{plural(bucket.readable_files, 'file')}, {size(bucket.readable_bytes)}"
        page.say(
            f"{what}, stand there as they are, and the store can read them: they were sent before "
            "encryption was on. They stay.",
            indent=2,
            tone=Tone.WARN,
        )


def keys_json(report: KeysReport) -> Json:
    """``shown`` are the recipients whose key was there, ``may_send`` whether anything is sent."""
    return {
        "version": 1,
        "recipients": list(report.recipients),
        "hide_names": report.hide_names,
        "identity_file": report.identity_file or None,
        "identity_file_open": report.is_open,
        "shown_at": report.shown_at.isoformat() if report.shown_at is not None else None,
        "shown": list(report.shown),
        "where": report.where or None,
        "may_send": report.may_send,
        "buckets": [
            {
                "name": one.name,
                "encrypted_files": one.encrypted_files,
                "readable_files": one.readable_files,
                "readable_bytes": one.readable_bytes,
            }
            for one in report.buckets
        ],
    }
