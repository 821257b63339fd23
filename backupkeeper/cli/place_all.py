"""``place`` with all that can be done about places."""

from backupkeeper.cli.costs import cost
from backupkeeper.cli.place_check import check
from backupkeeper.cli.place_standing import found, lost, rename, replace_place, retire
from backupkeeper.cli.places import place

for command in (check, cost, lost, retire, found, rename, replace_place):
    place.add_command(command)

__all__ = ["place"]
