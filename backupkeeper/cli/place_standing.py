"""``place lost``, ``retire``, ``found``, ``rename`` and ``replace``."""

import sys
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import click

from backupkeeper.cli.output import as_text, has_colours, write_out
from backupkeeper.cli.session import Session, all_option, json_option
from backupkeeper.core.errors import UsageError
from backupkeeper.core.leaving import Leaving
from backupkeeper.core.model import Place, Standing
from backupkeeper.core.replacing import Replacement
from backupkeeper.report import exits
from backupkeeper.report.leaving import (
    back_json,
    back_lines,
    done_lines,
    leaving_json,
    leaving_lines,
    renamed_json,
    renamed_lines,
)

Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]
dry_run_option: Decorator = click.option(
    "--dry-run", is_flag=True, help="Only tell; change nothing."
)
yes_option: Decorator = click.option("--yes", is_flag=True, help="Don't ask.")
even_so_option: Decorator = click.option(
    "--even-so", is_flag=True, help="Retire it though something has no other proven copy."
)


@click.command()
@click.argument("name")
@dry_run_option
@yes_option
@all_option
@json_option
@click.pass_obj
def lost(
    session: Session, name: str, *, dry_run: bool, yes: bool, all_paths: bool, as_json: bool
) -> int:
    """Say that a place is lost, stolen or dead: its copies count no more.

    It tells first what that means: which rolls have a gap then, what has no other proven copy, what
    must be copied from where. Then it asks. What is lacking is copied by the daemon, or by mirror and
    upload. Nothing is removed anywhere.

    \b
    Examples:
      backupkeeper place lost Main --dry-run
      backupkeeper place lost Main
    """
    asked = _Asked(session, dry_run=dry_run, yes=yes, all_paths=all_paths, as_json=as_json)
    return asked.leave(name, Standing.LOST, even_so=True)


@click.command()
@click.argument("name")
@even_so_option
@dry_run_option
@yes_option
@all_option
@json_option
@click.pass_obj
def retire(
    session: Session,
    name: str,
    *,
    even_so: bool,
    dry_run: bool,
    yes: bool,
    all_paths: bool,
    as_json: bool,
) -> int:
    """Take a place out of service that could still be read.

    As place lost; but where something has no other proven copy it is not done (--even-so does it).

    \b
    Examples:
      backupkeeper place retire Main --dry-run
      backupkeeper place retire Main
    """
    asked = _Asked(session, dry_run=dry_run, yes=yes, all_paths=all_paths, as_json=as_json)
    return asked.leave(name, Standing.RETIRED, even_so=even_so)


@click.command()
@click.argument("name")
@json_option
@click.pass_obj
def found(session: Session, name: str, *, as_json: bool) -> int:
    """Say that a lost or retired place is back. What is on it counts once it was read again.

    So too for a drive that is here and has lost its marker: that is written anew.

    \b
    Example:
      backupkeeper place found Main
    """
    with session.keeper() as keeper:
        back = keeper.find_again(name)
    return session.tell(
        exits.ATTENTION if back.files else exits.WELL,
        as_json=as_json,
        lines=lambda look: back_lines(back, look),
        told=lambda: back_json(back),
    )


@click.command()
@click.argument("name")
@click.argument("new")
@dry_run_option
@json_option
@click.pass_obj
def rename(session: Session, name: str, new: str, *, dry_run: bool, as_json: bool) -> int:
    """Give a place another name. Everything else goes by its id, so nothing else changes.

    \b
    Example:
      backupkeeper place rename Main "Main 2026"
    """
    with session.keeper() as keeper:
        renamed = keeper.rename(name, new, dry_run=dry_run)
    return session.tell(
        exits.WELL,
        as_json=as_json,
        lines=lambda look: renamed_lines(renamed, look, dry_run=dry_run),
        told=lambda: renamed_json(renamed, dry_run=dry_run),
    )


@click.command("replace")
@click.argument("old")
@click.argument("where", metavar="PATH_OR_S3")
@click.option("--name", required=True, help="What you call the new place.")
@click.option("--retire", "is_retired", is_flag=True, help="The old one is retired, not lost.")
@click.option("--folder", is_flag=True, help="PATH is a folder on a larger drive, and is meant.")
@click.option("--endpoint", metavar="URL", help="Address of the store, if it is not the usual one.")
@click.option("--profile", metavar="NAME", help="Profile with the bucket's credentials.")
@even_so_option
@dry_run_option
@yes_option
@all_option
@json_option
@click.pass_obj
def replace_place(  # noqa: PLR0913 - one for each word that can be typed
    session: Session,
    *,
    old: str,
    where: str,
    name: str,
    is_retired: bool,
    folder: bool,
    endpoint: str | None,
    profile: str | None,
    even_so: bool,
    dry_run: bool,
    yes: bool,
    all_paths: bool,
    as_json: bool,
) -> int:
    """Take in a new place with the role of an old one, which is lost (or retired) then.

    It tells first what that means, and asks. The daemon, or mirror and upload, fill the new one.

    \b
    Examples:
      backupkeeper place replace Main /media/me/NEW --name "Main 2"
      backupkeeper place replace Main /media/me/NEW --name "Main 2" --retire
    """
    wanted = Replacement(
        old=old,
        where=where,
        name=name,
        standing=Standing.RETIRED if is_retired else Standing.LOST,
        folder=folder,
        endpoint=endpoint,
        profile=profile,
    )
    asked = _Asked(session, dry_run=dry_run, yes=yes, all_paths=all_paths, as_json=as_json)
    return asked.replace(wanted, even_so=even_so or not is_retired)


class _Asked:
    """What all of them share: tell, ask, do, tell."""

    def __init__(
        self, session: Session, *, dry_run: bool, yes: bool, all_paths: bool, as_json: bool
    ) -> None:
        self._session = session
        self._dry_run = dry_run
        self._yes = yes
        self._all = all_paths
        self._json = as_json
        self._told = False

    def leave(self, name: str, standing: Standing, *, even_so: bool) -> int:
        with self._session.keeper() as keeper:
            with self._session.progress(as_json=self._json) as progress:
                leaving = keeper.look_at_leaving(name, standing, progress=progress)
            if self._stops(leaving, even_so=even_so):
                return self._tell(_refused(leaving, even_so=even_so))
            return self._tell(keeper.leave(leaving))

    def replace(self, wanted: Replacement, *, even_so: bool) -> int:
        with self._session.keeper() as keeper:
            with self._session.progress(as_json=self._json) as progress:
                leaving = keeper.look_at_replacing(wanted, progress=progress)
            if self._stops(leaving, even_so=even_so):
                return self._tell(_refused(leaving, even_so=even_so))
            done, taken = keeper.replace(wanted, leaving)
            return self._tell(done, taken)

    def _stops(self, leaving: Leaving, *, even_so: bool) -> bool:
        """Whether it is only told; else the person said yes.

        Raises:
            UsageError: they did not, or could not be asked.
        """
        if self._dry_run or _refused(leaving, even_so=even_so).refused:
            return True
        if self._yes:
            return False
        if self._json or not sys.stdin.isatty():
            self._say(leaving)
            raise UsageError("This wants your word. Nothing was changed.", advice="Add --yes.")
        self._say(leaving)
        if not click.confirm(f"Is {leaving.place.name} {leaving.standing}?", err=True):
            raise UsageError("Nothing was changed.")
        return False

    def _say(self, leaving: Leaving) -> None:
        if self._json:
            return
        self._told = True
        look = self._session.look(all_paths=self._all)
        text = as_text(
            leaving_lines(leaving, look), colours=has_colours(sys.stdout, self._session.environ)
        )
        write_out(text, ascii_only=not look.unicode)

    def _tell(self, leaving: Leaving, taken: Place | None = None) -> int:
        lines = done_lines if self._told else leaving_lines
        return self._session.tell(
            exits.of_leaving(leaving),
            as_json=self._json,
            lines=lambda look: lines(leaving, look),
            told=lambda: leaving_json(leaving, taken),
            all_paths=self._all,
        )


def _refused(leaving: Leaving, *, even_so: bool) -> Leaving:
    return replace(leaving, refused=True) if leaving.wants_a_word and not even_so else leaving
