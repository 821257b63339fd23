"""``python -m backupkeeper``."""

from backupkeeper.cli.main import main

if __name__ == "__main__":
    main()
