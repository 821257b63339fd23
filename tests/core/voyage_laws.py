"""What must hold at every step of a voyage, said without the planner's own code."""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from backupkeeper.core.deeds import Deed, DeedKind, Plan, View
from backupkeeper.core.model import PlaceKind
from backupkeeper.core.wishes import wishes
from tests.core.voyage_mend_laws import a_repair_may_begin, proven_and_right
from tests.core.voyage_parts import Job

if TYPE_CHECKING:
    from tests.core.voyage import Voyage

STARVING: timedelta = timedelta(days=4)
"""Nothing that could be done all that time may still not have begun."""
MOST_TRIES_A_DAY = 60
"""Of one deed that keeps failing: after a minute, two, four ... then every hour at most."""
MOST_LINE_TRIES = 104
"""A day, of one deed over a line that is down: after 1, 2, 4, 8 minutes, then every quarter of an hour."""
MOST_REPAIRS_A_DAY = 20
"""Of one roll on one drive: after 1, 2, 4 ... 256 minutes, then every six hours."""
ORDER = (DeedKind.MIRROR, DeedKind.REPAIR, DeedKind.UPLOAD)
"""A second copy, then repairs, then the third copy."""
FETCHING = frozenset({DeedKind.REPAIR, DeedKind.DRILL})
TRAFFIC = frozenset({DeedKind.UPLOAD, DeedKind.DRILL})
LATER = frozenset({DeedKind.ADOPT, DeedKind.LOOK, DeedKind.JUDGE, DeedKind.PROVE})
"""Between repairs and third copies."""


@dataclass
class Laws:
    """Raises ``AssertionError`` with a sentence where one is broken."""

    voyage: "Voyage"
    ready_since: dict[str, datetime] = field(default_factory=dict)
    failures: dict[tuple[str, datetime], int] = field(default_factory=dict)
    begun: Counter[str] = field(default_factory=Counter)

    def after_plan(self, view: View, made: Plan) -> None:
        """A plan was made of this view."""
        self._one_device_one_thing(view, made)
        self._nothing_on_what_is_not_there(view, made)
        self._nothing_over_a_closed_line(view, made)
        ready = [wish.deed for wish in wishes(view).ready]
        self._nothing_starves(view, made, ready)
        self._in_order(view, made, ready)
        for deed in made.start:
            self.begun[deed.kind] += 1
            if deed.kind is DeedKind.REPAIR:
                a_repair_may_begin(self.voyage, view, deed)

    def _devices(self, view: View, deed: Deed, *, held: bool) -> set[str]:
        found: set[str] = set()
        for place in deed.places:
            one = view.places[place]
            if one.kind is PlaceKind.BUCKET:
                found |= set() if deed.kind in FETCHING else {place}
            elif not held and place in view.drives:
                found |= set(view.drives[place].device.split("+"))
        found |= {card.device for card in view.cards if card.token == deed.card}
        if deed.kind in {DeedKind.OFFLOAD, DeedKind.ADOPT}:
            found.add("names of rolls")
        return found

    def _one_device_one_thing(self, view: View, made: Plan) -> None:
        used: dict[str, str] = {}
        active = [(one.deed, one.held and one.deed.key in made.hold) for one in view.running]
        active += [(deed, False) for deed in made.start]
        for deed, held in active:
            for device in self._devices(view, deed, held=held):
                assert device not in used, (
                    f"{device} does two things at {view.now}: {used[device]} and {deed.key}"
                )
                used[device] = deed.key
        keys = [deed.key for deed in made.start]
        running = {one.deed.key for one in view.running}
        assert len(set(keys)) == len(keys)
        assert running.isdisjoint(keys), "begun although it is under way"
        assert set(made.stop) <= running
        assert made.hold <= running

    def _nothing_on_what_is_not_there(self, view: View, made: Plan) -> None:
        for deed in made.start:
            for place in deed.places:
                is_bucket = view.places[place].kind is PlaceKind.BUCKET
                assert is_bucket or place in view.drives, f"{deed.key}: {place} is not here"
                assert place not in view.lent, f"{deed.key}: {place} is lent"
            assert not view.paused, "begun in a pause"

    def _nothing_over_a_closed_line(self, view: View, made: Plan) -> None:
        """Outside of its hours, on a metered line, in a pause of uploads: nothing is sent, no shoot fetched."""
        if view.hours.may_upload and not view.paused:
            return
        begun = [deed.key for deed in made.start if deed.kind in TRAFFIC]
        assert not begun, f"{begun} begin over a closed line"
        for one in view.running:
            if one.deed.kind in TRAFFIC and not one.stopping:
                is_quiet = one.deed.key in made.hold or one.deed.key in made.stop
                assert is_quiet, f"{one.deed.key} goes on over a closed line at {view.now}"

    def _in_order(self, view: View, made: Plan, wanted: Sequence[Deed]) -> None:
        """What is less urgent did not get the devices that something more urgent lay idle for."""
        kinds = {deed.kind for deed in made.start}
        if kinds.isdisjoint({DeedKind.REPAIR, DeedKind.UPLOAD}):
            return
        begun = {deed.key for deed in made.start}
        running = {one.deed.key for one in view.running}
        left = [d for d in wanted if d.kind in ORDER and d.key not in begun | running]
        used = set[str]()
        for one in view.running:
            used |= self._devices(view, one.deed, held=one.held and one.deed.key in made.hold)
        for late in left:
            mine = self._devices(view, late, held=False)
            others = [d for d in [*made.start, *wanted] if d.key not in running | {late.key}]
            # Such as these may have been promised its devices.
            urgent = [d for d in others if d.kind not in LATER and _place_in(d) <= _place_in(late)]
            if mine & used or any(mine & self._devices(view, d, held=False) for d in urgent):
                continue
            for deed in made.start:
                if deed.kind in ORDER and _place_in(deed) > _place_in(late):
                    shared = mine & self._devices(view, deed, held=False)
                    assert not shared, f"{deed.key} came before {late.key} at {view.now}"

    def _nothing_starves(self, view: View, made: Plan, wanted: Sequence[Deed]) -> None:
        ready = {deed.key for deed in wanted}
        busy = {deed.key for deed in made.start} | {one.deed.key for one in view.running}
        for key in list(self.ready_since):
            if key not in ready or key in busy:
                del self.ready_since[key]
        for key in ready - busy:
            since = self.ready_since.setdefault(key, view.now)
            assert view.now - since < STARVING, f"{key} starves since {since}"

    def watch(self, job: Job, doing: Callable[[], bool]) -> bool:
        """Let a deed be done: through a repair the number of good copies never falls."""
        if job.deed.kind is not DeedKind.REPAIR or job.deed.roll is None:
            return doing()
        roll = self.voyage.rolls[job.deed.roll]
        before = proven_and_right(self.voyage, roll)
        came = doing()
        assert proven_and_right(self.voyage, roll) >= before, f"fewer copies by {job.deed.key}"
        return came

    def done(self, job: Job, something_came_of_it: bool) -> None:
        """A deed came to its end."""
        deed = job.deed
        if deed.kind is DeedKind.REPAIR and job.failed:
            self.failed(deed, most=MOST_REPAIRS_A_DAY if deed.key in job.failed else None)
            return
        assert something_came_of_it, f"in vain: {deed.key} ({deed.why})"

    def failed(self, deed: Deed, most: int | None = None) -> None:
        """A deed failed."""
        day = self.voyage.now.replace(hour=0, minute=0, second=0, microsecond=0)
        key = (deed.key, day)
        self.failures[key] = self.failures.get(key, 0) + 1
        most = MOST_TRIES_A_DAY if most is None else most
        assert self.failures[key] <= most, f"{deed.key} is tried over and over"


def _place_in(deed: Deed) -> int:
    return ORDER.index(deed.kind) if deed.kind in ORDER else -1
