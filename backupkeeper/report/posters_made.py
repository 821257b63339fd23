"""What ``posters`` made, in words and as an object."""

from backupkeeper.core.posters import PostersOutcome
from backupkeeper.report.lines import Line, Look, Page, Tone
from backupkeeper.report.verdict import Json
from backupkeeper.report.words import duration, plural


def posters_lines(outcome: PostersOutcome, look: Look) -> list[Line]:
    """How many were made, which clips have no picture, and what is still missing."""
    page = Page(look)
    if outcome.made:
        page.say(f"Made {plural(outcome.made, 'poster')} (in {duration(outcome.seconds)}).")
    elif not outcome.missing:
        page.say("Nothing to make: every clip has its poster.", tone=Tone.GOOD)
    else:
        page.say("No poster was made.", tone=Tone.WARN)
    if outcome.known:
        had = "had its poster" if outcome.known == 1 else "had theirs"
        page.say(f"{plural(outcome.known, 'clip')} {had} already.")
    if outcome.bare:
        page.head("Without a picture")
        page.grouped(outcome.bare, indent=2)
    if outcome.missing:
        page.head(f"Still without a poster: {plural(outcome.missing, 'clip')}")
        for sentence in outcome.waiting:
            page.say(sentence, indent=2, first=f"{look.dash} ", tone=Tone.WARN)
    return page.lines


def posters_json(outcome: PostersOutcome) -> Json:
    """The same for a program. ``missing`` counts clips, ``waiting`` says why."""
    return {
        "version": 1,
        "made": outcome.made,
        "known": outcome.known,
        "without_picture": [{"path": path, "why": why} for path, why in outcome.bare],
        "missing": outcome.missing,
        "waiting": list(outcome.waiting),
        "read_bytes": outcome.read_bytes,
        "seconds": round(outcome.seconds, 3),
    }
