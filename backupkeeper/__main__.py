"""``python -m backupkeeper``: the same program as the ``backupkeeper`` command."""

from backupkeeper.cli.main import main

if __name__ == "__main__":
    main(prog_name="backupkeeper")
