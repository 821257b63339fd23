"""The commands: parse, call, print. No decisions."""
