"""The process that does one deed for the daemon."""
