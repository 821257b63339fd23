"""``export``: a shoot or roll, handed over."""

from dataclasses import replace

import click

from backupkeeper.cli.restore import HINT, is_meant, restoring_options, show_plan
from backupkeeper.cli.session import Session, json_option
from backupkeeper.core.handing import Form, Handing
from backupkeeper.core.restoring import Asked, RestorePlan
from backupkeeper.report import exits
from backupkeeper.report.handover import handover_json, handover_lines
from backupkeeper.report.restore import plan_lines

_DEED = "Handing over"


@click.command(short_help="Hand over a shoot or roll, in a form that any tool can check.")
@click.argument("what")
@click.option("--to", "to", required=True, metavar="DIR", help="The folder to hand it over in.")
@click.option(
    "--format",
    "form",
    required=True,
    type=click.Choice([form.value for form in Form]),
    help="mhl: each roll with its ASC MHL history, and a new generation; bagit: one bag.",
)
@click.option(
    "--digest",
    "digests",
    multiple=True,
    type=click.Choice(["sha512", "sha256", "sha1", "md5"]),
    default=["sha512"],
    show_default=True,
    help="For a bag: what its manifests are of; may be given again.",
)
@restoring_options
@json_option
@click.pass_obj
def export(  # noqa: PLR0913 - click hands in each option by name
    session: Session,
    what: str,
    *,
    to: str,
    form: str,
    digests: tuple[str, ...],
    source: str | None,
    dry_run: bool,
    wait: bool,
    tier: str,
    thawed_days: int,
    yes: bool,
    as_json: bool,
) -> int:
    """Bring a shoot or roll into a folder for a client or an archive, from copies that are right.

    WHAT is a shoot or a roll, named as in 'backupkeeper gaps'. It works like 'restore': every file is
    compared while it comes and read back before it gets its name, and what was interrupted is gone on
    with by the same command. As mhl each roll keeps its history, which says what was shown of it since
    the card, and gets one generation more. A bag (RFC 8493) has a folder of its own below DIR, and is
    closed once all of it is there.

    \b
    Examples:
      backupkeeper export "260612 Boatyard" --to /media/me/CLIENT --format mhl
      backupkeeper export "260612 Boatyard" --to /media/me/ARCHIVE --format bagit

    Exits 0 if all of it is there, proven; 1 if something is not what it should be; 3 if something could
    not be reached, or is being thawed: come again.
    """
    asked = Asked(what=what, to=to, source=source, tier=tier, keep_days=thawed_days, wait=wait)
    handing = Handing(form=Form(form), digests=tuple(dict.fromkeys(digests)))

    def agree(plan: RestorePlan) -> bool:
        if dry_run:
            return False
        if not as_json:
            show_plan(session, plan, _DEED)
        return yes or is_meant(plan, as_json=as_json, question="Hand it over?")

    with session.keeper() as keeper, session.progress(as_json=as_json) as progress:
        outcome = keeper.hand_over(asked, handing, agree=agree, progress=progress)
    return session.tell(
        exits.of_restore(outcome.restored),
        as_json=as_json,
        lines=lambda look: (
            (plan_lines(outcome.restored.plan, replace(look, hint=HINT), _DEED) if dry_run else [])
            + handover_lines(outcome, replace(look, hint=HINT))
        ),
        told=lambda: handover_json(outcome),
    )
