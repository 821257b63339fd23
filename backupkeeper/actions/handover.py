"""Hand over: a shoot or roll for a client or an archive, proven, in a form that any tool can check.

Promises:
1. It is a restore, with all that one promises; what is said of it is said of files that were read back.
2. ASC MHL: each roll's history comes along, and one generation is added for what was read back now.
3. A bag is closed (its ``bagit.txt`` written, last) only once all of it is there, right, and nothing else.
   Nothing is ever put into a folder that is a bag already, or that holds anything else.
"""

from dataclasses import replace
from datetime import datetime
from functools import partial

from backupkeeper.actions.bagging import Bagging, bag_folder
from backupkeeper.actions.context import Context
from backupkeeper.actions.restore import restore
from backupkeeper.actions.restore_files import RestoreRun
from backupkeeper.actions.restore_history import bring_history, generation_of, history_files
from backupkeeper.actions.restore_plan import RollTasks
from backupkeeper.actions.restore_thaw import Pause
from backupkeeper.actions.selection import resolve
from backupkeeper.actions.unfinished import drop_temporaries, name_last_manifest
from backupkeeper.core.errors import BackupkeeperError, ManifestError, OutOfReachError, UsageError
from backupkeeper.core.handing import Form, Handing, HandoverOutcome
from backupkeeper.core.model import RollHead
from backupkeeper.core.restoring import Agree, Asked
from backupkeeper.manifests.mhl_chain import extend_chain
from backupkeeper.manifests.mhl_history import read_history
from backupkeeper.manifests.mhl_model import CHAIN_NAME, FOLDER, History, Process
from backupkeeper.manifests.mhl_verify import next_generation
from backupkeeper.manifests.mhl_write import build_manifest, manifest_name
from backupkeeper.ports.progress import Progress
from backupkeeper.transfer.durable import replace_own, write_small


def hand_over(
    context: Context,
    asked: Asked,
    handing: Handing,
    agree: Agree,
    progress: Progress,
    *,
    pause: Pause,
) -> HandoverOutcome:
    """Bring a shoot or roll into a folder, in a form that can be checked there.

    Args:
        context: the world.
        asked: what, whereto, from where; a bag gets a folder of its own below ``to``.
        handing: the form.
        agree: shown the plan before anything is done; False: nothing is.
        progress: told as it goes.
        pause: waits for so many seconds, where what is thawed is waited for.

    Raises:
        UsageError: no shoot or roll is called so, or the folder can't be handed over in.
        BackupkeeperError: as ``restore`` raises them.
    """
    heads = _meant(context, asked)
    if handing.form is Form.MHL:
        going_on = _GoingOn(context.clock.now())
        done = restore(context, asked, agree, progress, pause=pause, finish=going_on)
        return HandoverOutcome(
            restored=done,
            form=handing.form,
            closed=done.done and len(going_on.rolls) == len(heads),
            manifests=tuple(going_on.manifests),
        )
    bag, to = bag_folder(context, asked, heads)
    bagging = Bagging(heads, handing.digests)
    done = restore(context, replace(asked, to=to), agree, progress, pause=pause, finish=bagging)
    return HandoverOutcome(
        restored=done, form=handing.form, bag=bag, closed=bagging.closed, digests=handing.digests
    )


def _meant(context: Context, asked: Asked) -> list[RollHead]:
    """The rolls that are meant: whole ones."""
    chosen = resolve(context, asked.what)
    if asked.what is None or chosen.path is not None or not chosen.rolls:
        raise UsageError(
            f"{asked.what or 'Everything'} can't be handed over.",
            advice="Name a shoot or a roll, as backupkeeper gaps shows them; single files can be restored.",
        )
    wanted = set(chosen.rolls)
    return [head for head in context.catalog.rolls() if head.id in wanted]


class _GoingOn:
    """Each roll's history, brought and gone on with."""

    further: tuple[str, ...] = ()

    def __init__(self, started_at: datetime) -> None:
        self._started_at = started_at
        self.rolls: list[str] = []
        self.manifests: list[str] = []

    def roll_came(self, run: RestoreRun, roll: RollTasks) -> None:
        """Where all of it is there and right: its manifests, and one more."""
        if not run.has_all(roll):
            run.notes.append(f"{roll.folder}: not all of it is there, so it got no manifests.")
            return
        told = bring_history(run.context, run.around, roll, is_whole=True)
        run.notes += told.notes
        if not told.brought:
            return
        try:
            if not told.made:
                self._go_on(run, roll)
        except OutOfReachError:
            raise
        except BackupkeeperError as error:
            run.notes.append(f"{roll.folder}: its history was not gone on with: {error}")
            return
        if told.made:
            self.manifests.append(f"{roll.folder}/{FOLDER}")
        run.histories.append(roll.folder)
        self.rolls.append(roll.folder)

    def all_came(self, run: RestoreRun) -> None:
        """Nothing is left to be done."""

    def _go_on(self, run: RestoreRun, roll: RollTasks) -> None:
        context, target = run.context, run.around.target
        where = target.absolute(f"{roll.folder}/{FOLDER}")
        contents = context.catalog.contents(file.content for file in roll.now.roll.files)
        known = {
            roll.names[file.path]: contents[file.content].xxh128 for file in roll.now.roll.files
        }
        read = partial(_history, context, where)
        history = read()
        if history.unlisted and name_last_manifest(context, target.guard, where, history, known):
            history = read()  # an interruption had left it
        if history.faults:
            raise ManifestError(history.faults[0].message)
        brought_now = any(not task.stands for task in roll.tasks)
        process = Process.TRANSFER if brought_now else Process.IN_PLACE
        first = generation_of(context, roll, contents, process, self._started_at)
        generation, _ = next_generation(history, first)
        data, _ = build_manifest(generation)
        name = manifest_name(generation.number, generation.folder_name, generation.started_at)
        drop_temporaries(context, where)
        write_small(context.files, f"{where}/{name}", data, target.guard)
        _, chain = history_files(context, where)
        replace_own(
            context.files,
            f"{where}/{CHAIN_NAME}",
            extend_chain(chain(CHAIN_NAME), name, data),
            target.guard,
        )
        self.manifests.append(f"{roll.folder}/{FOLDER}/{name}")


def _history(context: Context, where: str) -> History:
    history = read_history(*history_files(context, where))
    if history is None:
        raise ManifestError("It is not there any more.")
    return history
