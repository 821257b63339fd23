"""backupkeeper: keeps every card in three places and knows it, rather than hopes it."""

__version__ = "0.1.0"
