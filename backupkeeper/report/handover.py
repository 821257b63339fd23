"""What a handing over came to, in words and as an object.

Promise: that a bag is closed, or a history gone on with, is said only where it was.
"""

from backupkeeper.core.handing import Form, HandoverOutcome
from backupkeeper.core.typed import typed
from backupkeeper.report.lines import Line, Look, Page, Tone
from backupkeeper.report.restore import restore_json, restore_lines
from backupkeeper.report.verdict import Json
from backupkeeper.report.words import plural


def handover_lines(outcome: HandoverOutcome, look: Look) -> list[Line]:
    """What came of it, and how whoever gets it can check it."""
    lines = restore_lines(outcome.restored, look, "handed over")
    if not outcome.restored.done:
        return lines
    page = Page(look)
    if outcome.manifests:
        page.say(
            f"{plural(len(outcome.manifests), 'manifest')} of this handing over "
            "(ASC MHL: any tool of that standard can check it)"
        )
    if outcome.form is Form.BAGIT and outcome.closed:
        page.say("A whole bag (RFC 8493). To check it with common tools, inside its folder:")
        page.line(f"  cd {typed(outcome.bag)}")
        for kind in outcome.digests:
            page.line(f"  {kind}sum -c manifest-{kind}.txt tagmanifest-{kind}.txt")
    if not outcome.closed:
        page.say("It is not whole: don't hand it over yet.", tone=Tone.WARN)
    return [*lines, *page.lines]


def handover_json(outcome: HandoverOutcome) -> Json:
    """What ``restore`` tells, and the form."""
    return {
        **restore_json(outcome.restored),
        "format": outcome.form.value,
        "closed": outcome.closed,
        "bag": outcome.bag or None,
        "digests": list(outcome.digests),
        "manifests": list(outcome.manifests),
    }
