"""``python -m backupkeeper``."""

import sys

if __name__ == "__main__":
    try:
        from backupkeeper.cli.main import main
    except KeyboardInterrupt:  # while the program was still loading: nothing was begun
        sys.exit(3)
    main()
