"""Facts on disk: SQLite."""
