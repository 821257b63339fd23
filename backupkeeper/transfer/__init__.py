"""Bytes: hashing, the copy pipeline, durable writes, cold reads."""
