"""The real clock, entropy and system calls: pass-through, one call each."""
