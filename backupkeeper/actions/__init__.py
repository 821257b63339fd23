"""One file per deed: gather, ask core, do, record."""
